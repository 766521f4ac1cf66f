#!/bin/sh
# Sees that the Debian packages are there which Earmark needs, and installs those that are missing.
#
# usage: setup.sh demo|test|hearing|machine
#   demo     what the build needs
#   test     that, and what the tests call: sound tools, a sound server, synthetic voices, a browser
#   hearing  what the hearing bench is made from: synthetic voices, recorded people
#   machine  what the build needs, and an emulator for the keypad's and the service's proof
#
# As root it installs; as anyone else it lists what is missing, with the command, and stops.
# On another system it says what is needed, and goes on where the build can find ALSA.
set -eu

demo="pkg-config libasound2-dev"
test="sox libsox-fmt-all ffmpeg pulseaudio pulseaudio-utils libasound2-plugins alsa-utils
      espeak-ng flite festival festvox-kallpc16k festvox-kdlpc16k
      chromium chromium-driver fonts-dejavu-core poppler-utils strace openssl faketime"
hearing="ffmpeg espeak-ng flite festival festvox-kdlpc16k pocketsphinx-testdata asterisk-core-sounds-en-wav"

case "${1-}" in
demo) wanted=$demo ;;
test) wanted="$demo $test" ;;
hearing) wanted=$hearing ;;
machine) wanted="$demo qemu-system-x86 busybox-static debootstrap e2fsprogs" ;;
*)
    echo "usage: $0 demo|test|hearing|machine" >&2
    exit 2
    ;;
esac

has() { command -v "$1" >/dev/null 2>&1; }
finds_alsa() { has pkg-config && pkg-config --exists alsa; }

if ! has dpkg-query; then
    echo "This is no Debian system, so nothing was installed. Needed, under whatever names it has here:" >&2
    echo "  for the build: pkg-config and the development files of ALSA (alsa.pc)" >&2
    if [ "$1" = test ]; then
        echo "  for the tests: SoX with all formats, ffmpeg, PulseAudio with its tools and ALSA plug-ins," >&2
        echo "  alsa-utils, espeak-ng, flite, festival with the voices kal_diphone and ked_diphone," >&2
        echo "  Chromium with its WebDriver (chromedriver), poppler-utils, strace, OpenSSL, faketime" >&2
    elif [ "$1" = hearing ]; then
        echo "  for the bench: ffmpeg, espeak-ng, flite, festival with the voice ked_diphone, and from Debian the" >&2
        echo "  recordings of asterisk-core-sounds-en-wav and pocketsphinx-testdata, at Debian's paths" >&2
    fi
    finds_alsa && exit 0
    echo "error: pkg-config does not find alsa: install both, then run this again" >&2
    exit 1
fi

missing=
for package in $wanted; do
    state=$(dpkg-query --show --showformat='${db:Status-Status}' "$package" 2>/dev/null) || state=
    [ "$state" = installed ] || missing="$missing $package"
done
missing=${missing# }
[ -n "$missing" ] || exit 0

# The build is all that matters where ALSA was put in place by hand.
if [ "$1" = demo ] && finds_alsa; then exit 0; fi

if [ "$(id -u)" -ne 0 ]; then
    {
        echo "error: these Debian packages are missing:"
        for package in $missing; do echo "  $package"; done
        echo "Only root can install them. Run this, then try again:"
        echo "  sudo apt-get update && sudo apt-get install --yes --no-install-recommends $missing"
    } >&2
    exit 1
fi

echo "Installing Debian packages: $missing" >&2
export DEBIAN_FRONTEND=noninteractive
log=$(mktemp)
trap 'rm -f "$log"' EXIT
# shellcheck disable=SC2086
if ! { apt-get -qq update && apt-get -qq --yes --no-install-recommends install $missing; } >"$log" 2>&1 </dev/null; then
    tail -n 20 "$log" >&2
    echo "error: apt-get could not install: $missing. Mend what it says above, then try again" >&2
    exit 1
fi
