#!/usr/bin/env python3
"""Times the answer to "time check": from the last sound of the call-out to the first of the answer, as a microphone in the
room hears both, through a private sound server.

usage: answer.py EARMARK [--times 10]
Needs Debian's pulseaudio, pulseaudio-utils, flite and sox, and tests/requirements.txt.
"""

import argparse
import pathlib
import signal
import subprocess
import sys
import tempfile
import time
import wave

import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1]))
from common.sound_server import sound_server  # noqa: E402

RATE = 16000
LOUD = 0.01  # mean amplitude of 10 ms that is no longer silence


def samples(path):
    with wave.open(str(path)) as file:
        return np.frombuffer(file.readframes(file.getnframes()), np.int16) / 32768


def place(tape, needle):
    """Where the needle begins in the tape, by correlation."""
    size = 1 << int(np.ceil(np.log2(len(tape) + len(needle))))
    fit = np.fft.irfft(np.fft.rfft(tape, size) * np.conj(np.fft.rfft(needle, size)), size)
    return int(np.argmax(fit[: len(tape)]))


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("earmark")
    ask.add_argument("--times", type=int, default=10)
    args = ask.parse_args()
    with tempfile.TemporaryDirectory() as name, sound_server() as environment:
        folder = pathlib.Path(name)
        subprocess.run(["flite", "-voice", "kal16", "-t", "time check", "-o", folder / "raw.wav"], check=True)
        trimmed = ["silence", "1", "0.02", "1%", "reverse", "silence", "1", "0.02", "1%", "reverse"]
        subprocess.run(["sox", folder / "raw.wav", "-r", str(RATE), folder / "said.wav", *trimmed], check=True)
        subprocess.run(["pactl", "set-default-sink", "room"], env=environment, check=True)
        subprocess.run(["sox", "-n", "-r", str(RATE), "-c", "1", folder / "hush.wav", "synth", "600", "whitenoise", "vol", "0.001"], check=True)
        hush = subprocess.Popen(["paplay", "--device=room", folder / "hush.wav"], env=environment)
        listening = subprocess.Popen(
            [args.earmark, "listen", "--mic", "virtual_mic", "--keypad", "off", "--plain", "--purpose", "demo", "--log", folder / "log.earmark.jsonl"],
            env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip
        time.sleep(14)  # the caution
        waits, said = [], samples(folder / "said.wav")
        for n in range(args.times):
            tape = folder / f"tape{n}.wav"
            recorder = subprocess.Popen(
                ["parecord", "--device=room.monitor", f"--rate={RATE}", "--channels=1", "--format=s16le", "--latency-msec=20", tape], env=environment)
            time.sleep(1)
            subprocess.run(["paplay", "--device=room", folder / "said.wav"], env=environment, check=True)
            time.sleep(2.5)
            recorder.send_signal(signal.SIGINT)
            recorder.wait()
            time.sleep(4)  # the answer's rest
            heard = samples(tape)
            end = place(heard, said) + len(said)
            after = np.abs(heard[end + RATE // 50 :])
            loud = after[: len(after) // 160 * 160].reshape(-1, 160).mean(1) > LOUD
            waits.append(20 + 10 * int(np.argmax(loud)) if loud.any() else None)
        listening.send_signal(signal.SIGINT)
        listening.wait()
        hush.kill()
    answered = sorted(wait for wait in waits if wait is not None)
    if not answered:
        sys.exit("no answer was heard")
    print(f"\"time check\": {len(answered)} of {len(waits)} answered, after {np.median(answered):.0f} ms (median), {answered[-1]} ms (longest)")


if __name__ == "__main__":
    main()
