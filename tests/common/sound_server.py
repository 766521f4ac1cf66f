"""A private user-space sound server with a room and a microphone in it, as sound_server.rs has it for the Rust tests."""

import contextlib
import os
import pathlib
import subprocess
import sys
import tempfile
import time


@contextlib.contextmanager
def sound_server():
    """The environment of programs that are to hear and speak through it."""
    with tempfile.TemporaryDirectory() as folder:
        home = pathlib.Path(folder)
        (home / "pulse").mkdir()
        alsa = "pcm.!default { type pulse }\nctl.!default { type pulse }\n"
        (home / "asound.conf").write_text(alsa)
        native = home / "pulse" / "native"
        environment = dict(os.environ, HOME=folder, XDG_RUNTIME_DIR=folder, PULSE_RUNTIME_PATH=str(home / "pulse"),
                           PULSE_SERVER=f"unix:{native}", ALSA_CONFIG_PATH=str(home / "asound.conf"))  # fmt: skip
        cache = pathlib.Path(os.environ.get("XDG_CACHE_HOME") or pathlib.Path.home() / ".cache")
        environment.setdefault("EARMARK_ASSETS", str(cache / "earmark"))
        for name in ("DISPLAY", "DBUS_SESSION_BUS_ADDRESS"):
            environment.pop(name, None)
        server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes",
             "--realtime=no", "--high-priority=no",
             "-L", f"module-native-protocol-unix auth-anonymous=1 socket={native}",
             "-L", "module-null-sink sink_name=room rate=48000 channels=2",
             "-L", "module-remap-source master=room.monitor source_name=virtual_mic"],
            env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip
        try:
            until = time.monotonic() + 60
            while True:
                listed = subprocess.run(["pactl", "list", "short", "sources"], env=environment, capture_output=True)
                if b"virtual_mic" in listed.stdout:
                    break
                if time.monotonic() > until:
                    sys.exit("the sound server has no microphone")
                time.sleep(0.1)
            yield environment
        finally:
            server.kill()
            server.wait()
