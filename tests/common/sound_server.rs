//! A private PulseAudio with a room and a microphone in it: what is played into the room, the
//! microphone hears. Needs no sound card, no session and no rights, and runs as root.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// The server; stopped, with all its files removed, when dropped, also while panicking.
pub struct SoundServer {
    server: Child,
    home: TempDir,
}

impl SoundServer {
    /// Starts it and waits until the microphone is there. Panics with the package to install.
    pub fn start() -> Self {
        let home = TempDir::new().expect("a folder for the sound server");
        let folder = home.path();
        fs::create_dir(folder.join("pulse")).unwrap();
        fs::write(folder.join("asound.conf"), ALSA).unwrap();
        let mut new = Self { server: launch(folder), home };
        new.wait();
        new
    }

    /// Starts it anew after a crash, with a room and a microphone as before.
    pub fn restart(&mut self) {
        self.crash();
        self.server = launch(self.folder());
        self.wait();
    }

    fn wait(&mut self) {
        let until = Instant::now() + Duration::from_secs(20);
        while !self.sources().contains(MICROPHONE) {
            let gone = self.server.try_wait().expect("its state");
            let log = fs::read_to_string(self.folder().join("server.log")).unwrap_or_default();
            assert!(gone.is_none(), "the sound server stopped ({gone:?}):\n{log}");
            assert!(Instant::now() < until, "no microphone after 20 s:\n{log}");
            std::thread::sleep(Duration::from_millis(50));
        }
        self.pactl(&["set-default-source", MICROPHONE]);
        self.pactl(&["set-default-sink", "room"]);
    }

    /// Unplugs the microphone.
    pub fn unplug(&self) {
        self.pactl(&["unload-module", "module-remap-source"]);
    }

    /// Plugs it in again, one with this sample rate.
    pub fn plug(&self, rate: u32) {
        let name = format!("source_name={MICROPHONE}");
        self.pactl(&["load-module", "module-remap-source", "master=room.monitor", &name, &format!("rate={rate}")]);
    }

    /// Stops the server where it stands, or lets it go on.
    pub fn freeze(&self, frozen: bool) {
        let signal = if frozen { "STOP" } else { "CONT" };
        let done = Command::new("kill").args(["-s", signal, &self.server.id().to_string()]).status();
        assert!(done.is_ok_and(|status| status.success()));
    }

    /// Points a program at this server, directly and through ALSA's default device.
    pub fn enter(&self, command: &mut Command) {
        environment(command, self.folder());
    }

    /// Starts playing a sound file into the room.
    pub fn play(&self, file: &Path) -> Child {
        let mut command = Command::new("paplay");
        command.arg("--device=room").arg(file);
        self.enter(&mut command);
        command.spawn().expect("paplay: apt-get install pulseaudio-utils")
    }

    /// Gives the room a loudspeaker that its microphone does not hear; programs speak through it from now on.
    pub fn add_loudspeaker(&self) {
        self.pactl(&["load-module", "module-null-sink", "sink_name=loudspeaker", "rate=48000", "channels=2"]);
        self.pactl(&["set-default-sink", "loudspeaker"]);
    }

    /// Lets the microphone hear that loudspeaker, 10 dB quieter than what it plays, always as much later: the air between
    /// them does not stretch, as this module's resampling would to adjust its time.
    pub fn add_echo(&self) {
        let from = ["module-loopback", "source=loudspeaker.monitor", "sink=room", "latency_msec=30", "adjust_time=0"];
        let module = self.pactl(&[&["load-module"], &from[..]].concat());
        let inputs = self.pactl(&["list", "sink-inputs"]);
        let module = format!("Owner Module: {}", module.trim());
        let input = inputs.split("Sink Input #").find(|input| input.lines().any(|line| line.trim() == module));
        let id = input.and_then(|input| input.lines().next()).unwrap_or_else(|| panic!("{module}?\n{inputs}"));
        self.pactl(&["set-sink-input-volume", id, "-10dB"]);
    }

    /// Starts recording what is played on `sink`, until it is interrupted.
    pub fn record(&self, sink: &str, file: &Path) -> Child {
        let mut command = Command::new("parecord");
        command.arg(format!("--device={sink}.monitor"));
        command.args(["--rate=48000", "--channels=1", "--format=s16le"]).arg(file);
        self.enter(&mut command);
        command.spawn().expect("parecord: apt-get install pulseaudio-utils")
    }

    /// Ends the server at once, as if it had crashed.
    pub fn crash(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }

    /// A folder of the server's own, gone when it is dropped.
    pub fn folder(&self) -> &Path {
        self.home.path()
    }

    fn sources(&self) -> String {
        let mut command = Command::new("pactl");
        command.args(["list", "short", "sources"]);
        self.enter(&mut command);
        let output = command.output().expect("pactl: apt-get install pulseaudio-utils");
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// Tells the server to do something; gives what it says.
    pub fn pactl(&self, args: &[&str]) -> String {
        let mut command = Command::new("pactl");
        command.args(args);
        self.enter(&mut command);
        let output = command.output().expect("pactl: apt-get install pulseaudio-utils");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "pactl {args:?}: {said}");
        String::from_utf8_lossy(&output.stdout).into_owned()
    }
}

impl Drop for SoundServer {
    fn drop(&mut self) {
        self.crash();
    }
}

const MICROPHONE: &str = "virtual_mic";

fn launch(folder: &Path) -> Child {
    let log = File::create(folder.join("server.log")).unwrap();
    let native = folder.join("pulse/native");
    // One that was killed leaves its socket behind.
    let _ = fs::remove_file(&native);
    let socket = format!("module-native-protocol-unix auth-anonymous=1 socket={}", native.display());
    let mut command = Command::new("pulseaudio");
    command
        .args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"])
        .args(["--disable-shm=yes", "--realtime=no", "--high-priority=no"])
        .args(["-L", &socket])
        .args(["-L", "module-null-sink sink_name=room rate=48000 channels=2"])
        .args(["-L", &format!("module-remap-source master=room.monitor source_name={MICROPHONE}")])
        .stdin(Stdio::null())
        .stdout(log.try_clone().unwrap())
        .stderr(log);
    environment(&mut command, folder);
    command.spawn().unwrap_or_else(|e| {
        panic!("pulseaudio does not start ({e}): apt-get install pulseaudio pulseaudio-utils libasound2-plugins")
    })
}

/// ALSA's default device leads to the server; nothing of the machine's own is read.
const ALSA: &str = "\
pcm.pulse { type pulse hint { show on description \"Sound server\" } }
ctl.pulse { type pulse }
pcm.!default { type pulse hint { show on description \"Default, by the sound server\" } }
ctl.!default { type pulse }
";

fn environment(command: &mut Command, folder: &Path) {
    let socket: PathBuf = folder.join("pulse/native");
    command
        .env("HOME", folder)
        .env("XDG_RUNTIME_DIR", folder)
        .env("PULSE_RUNTIME_PATH", folder.join("pulse"))
        .env("PULSE_SERVER", format!("unix:{}", socket.display()))
        .env("ALSA_CONFIG_PATH", folder.join("asound.conf"))
        .env_remove("DISPLAY")
        .env_remove("DBUS_SESSION_BUS_ADDRESS");
}
