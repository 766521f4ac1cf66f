#!/bin/sh
# Puts the program in place with all that it needs, or takes exactly that away again.
#
# usage: install.sh install PROGRAM ASSETS [VOSK]
#        install.sh uninstall
#   PROGRAM  the built program;  ASSETS  the folder with the engine's files;  VOSK  the built earmark-vosk
#
# From the environment: PREFIX, where it shall live [/usr/local]; DESTDIR, put before it while a package is made;
# NOTICES, the file that `make notices` made [made anew, which needs cargo].
# What was placed stands in share/earmark/INSTALLED, by which it is taken away.
set -eu
umask 022
here=$(cd "$(dirname "$0")" && pwd)
repository=$(cd "$here/../.." && pwd)
prefix=${PREFIX:-/usr/local}
root=${DESTDIR:-}$prefix
list=share/earmark/INSTALLED
# While it is written.
notes=$(mktemp -d)
trap 'rm -rf "$notes"' EXIT

fail() {
    echo "error: $*" >&2
    exit 1
}

case $prefix in
/*) ;;
*) fail "PREFIX=$prefix is no whole path: begin it with /" ;;
esac

# Makes a folder below the root and those above it, and notes those that were not there.
folder() {
    [ -d "$root/$1" ] && return
    case $1 in */*) folder "${1%/*}" ;; esac
    mkdir -p "$root/$1"
    chmod 755 "$root/$1"
    echo "$1/" >>"$notes/list"
}

# place MODE SOURCE TARGET
place() {
    [ -f "$2" ] || fail "$2 is not there"
    folder "${3%/*}"
    install -m "$1" "$2" "$root/$3"
    echo "$3" >>"$notes/list"
}

# With the program's own place in it.
fill() {
    sed "s|/usr/bin/earmark|$prefix/bin/earmark|g" "$here/$1" >"$notes/filled"
    place 644 "$notes/filled" "$2"
}

take_away() {
    cp "$root/$list" "$notes/old"
    while IFS= read -r name; do
        case /$name/ in */../* | //*) fail "$root/$list names $name, which lies elsewhere: mend it" ;; esac
    done <"$notes/old"
    while IFS= read -r name; do
        case $name in */) ;; *) rm -f "$root/$name" ;; esac
    done <"$notes/old"
    # The deepest first; what others have put in stays.
    sed -n 's|/$||p' "$notes/old" | sort -r >"$notes/folders"
    while IFS= read -r name; do rmdir "$root/$name" 2>/dev/null || true; done <"$notes/folders"
}

put_in_place() {
    program=$1 assets=$2 vosk=${3:-}
    [ -x "$program" ] || fail "$program is not built: run \`make\` to see how, then try again"
    # Under sudo the files lie where the one who called it has them.
    if [ ! -d "$assets" ] && [ -n "${SUDO_USER:-}" ]; then
        assets=$(getent passwd "$SUDO_USER" | cut -d: -f6)/.cache/earmark
    fi
    [ -f "$assets/cmudict.dict" ] || fail "the engine's files are not in $assets: run \`make assets\`, or set EARMARK_ASSETS to their folder"
    third_parties=${NOTICES:-}
    if [ -z "$third_parties" ]; then
        third_parties=$notes/THIRD-PARTY.txt
        python3 "$repository/tools/notices.py" "$third_parties" "$assets" || fail "the licences of what is passed on are not told"
    fi
    [ -f "$third_parties" ] || fail "$third_parties is not there: run \`make notices\`"
    [ ! -f "$root/$list" ] || take_away
    mkdir -p "$root" && [ -w "$root" ] || fail "$root cannot be written: use sudo, or another PREFIX"
    folder share/earmark
    place 755 "$program" bin/earmark
    for pack in "$repository"/grammars/*/; do
        for file in "$pack"*; do place 644 "$file" "share/earmark/grammars/$(basename "$pack")/$(basename "$file")"; done
    done
    for file in "$repository"/sounds/manifest.toml "$repository"/sounds/*.ogg; do
        place 644 "$file" "share/earmark/sounds/$(basename "$file")"
    done
    # Those that everybody needs; what the lock pins for a group comes after.
    sed '/^# wheel .* for /,$d' "$repository/assets.lock" | sed -n 's/^[0-9a-f]\{64\}  //p' >"$notes/assets"
    while IFS= read -r name; do place 644 "$assets/$name" "share/earmark/assets/$name"; done <"$notes/assets"
    if [ -n "$vosk" ]; then
        place 755 "$vosk" bin/earmark-vosk
        place 644 "$assets/libvosk.so" share/earmark/assets/libvosk.so
    fi
    place 644 "$repository/LICENSE" share/doc/earmark/LICENSE
    place 644 "$third_parties" share/doc/earmark/THIRD-PARTY.txt
    fill earmark.service lib/systemd/system/earmark.service
    fill board.conf share/doc/earmark/board.conf
    place 644 "$here/70-earmark.rules" lib/udev/rules.d/70-earmark.rules
    place 644 "$here/earmark.sysusers" lib/sysusers.d/earmark.conf
    echo "$list" >>"$notes/list"
    install -m 644 "$notes/list" "$root/$list"
    [ -z "${DESTDIR:-}" ] || exit 0
    cat <<END
Installed in $prefix. To let it read keypads, and to run it as a service (as root):
  systemd-sysusers && udevadm control --reload && udevadm trigger --subsystem-match=input
  systemctl daemon-reload && systemctl enable --now earmark
To run it yourself, without root: usermod -aG earmark,audio NAME, then log in again.
END
}

case "${1-}" in
install) [ $# -eq 3 ] || [ $# -eq 4 ] || fail "usage: $0 install PROGRAM ASSETS [VOSK]" && put_in_place "$2" "$3" "${4:-}" ;;
uninstall)
    [ -f "$root/$list" ] || fail "nothing of Earmark is installed in $root: name the PREFIX and DESTDIR that it was installed with"
    take_away
    ;;
*)
    echo "usage: $0 install PROGRAM ASSETS | uninstall" >&2
    exit 2
    ;;
esac
