//! Runs the device's image on the emulated board and collects what it says.
//!
//! The host shows codes to the board's emulated converter and gets back the telemetry of the very image that is built
//! for the processor, with the figures of what the run has cost. `firmware/board-mps2-an386/README.md` tells more.

use std::{
    io::{self, Read, Write},
    net::{TcpListener, TcpStream},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use airvalve_monitor::device::DeviceConfig;
use airvalve_sensors::CodeSample;
use airvalve_telemetry::{Event, FrameWriter, WriteError, frames, max_frame_len};

// What goes over the lines is written down once, in the image.
#[path = "../../firmware/board-mps2-an386/src/link.rs"]
pub mod link;

pub use link::Figures;
use link::Stimulus;

/// Limit of flash, bytes.
pub const FLASH_LIMIT_BYTES: u32 = 96 * 1024;
/// Limit of RAM, static data and stack together, bytes.
pub const RAM_LIMIT_BYTES: u32 = 24 * 1024;
/// Limit of the mean number of instructions a sample: driver, detector and telemetry together.
pub const INSTRUCTIONS_LIMIT: f64 = 1_500.0;

/// Instructions in a tick: SysTick runs at 25 MHz, an instruction takes 1 ns under `-icount shift=0`.
const INSTRUCTIONS_PER_TICK: f64 = 40.0;
/// How long the emulator may take to start, or the board to say nothing.
const SILENCE: Duration = Duration::from_secs(120);
/// Samples sent in one frame.
const FRAME_SAMPLES: usize = 64;

/// Why the emulated board gave no result.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum BoardError {
    #[error("board image: it does not build; do what the compiler says:\n{said}")]
    Build { said: String },
    #[error("{program}: cannot be started: {source}; install it: apt-get install -y --no-install-recommends {package}")]
    NotInstalled { program: &'static str, package: &'static str, source: io::Error },
    #[error("serial line: {source}; the emulator said: {said}")]
    Line { source: io::Error, said: String },
    #[error("stimulus: {0}")]
    Stimulus(#[from] WriteError),
    #[error("configuration: {0}; keep what was learned below 1 KiB")]
    Configuration(#[from] postcard::Error),
    #[error("board: refused the stimulus: {reason}")]
    Refused { reason: String },
    #[error("board: its last frame holds no figures after {bytes} bytes of telemetry; the emulator said: {said}")]
    NoFigures { bytes: usize, said: String },
}

/// What a run gave.
#[derive(Clone, Debug)]
pub struct Run {
    /// The device's telemetry, every byte.
    pub telemetry: Vec<u8>,
    /// What it has cost.
    pub figures: Figures,
}

/// An image that was built.
#[derive(Clone, Debug)]
pub struct Board {
    image: PathBuf,
}

impl Board {
    /// Builds the image with its own script.
    ///
    /// # Errors
    /// [`BoardError::Build`] with all that the script said, also when no compiler is there.
    pub fn build() -> Result<Board, BoardError> {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../firmware/board-mps2-an386/build.sh");
        let output = Command::new("bash").arg(script).output().map_err(|source| BoardError::NotInstalled {
            program: "bash",
            package: "bash",
            source,
        })?;
        let said = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        match said(&output.stdout).lines().last() {
            Some(image) if output.status.success() => Ok(Board { image: PathBuf::from(image) }),
            _ => Err(BoardError::Build { said: said(&output.stderr) }),
        }
    }

    /// Runs a device from its start over all samples.
    ///
    /// The board has the first converter only; a missing code makes it not answer when that input is read.
    ///
    /// # Errors
    /// [`BoardError`]: the emulator is not there, the line breaks or falls silent, the board refuses what it gets.
    pub fn run(&self, config: &DeviceConfig, samples: &[CodeSample]) -> Result<Run, BoardError> {
        let stimulus = stimulus(config, samples)?;
        let mut emulator = Emulator::start(&self.image)?;
        let received = emulator.exchange(stimulus);
        let said = emulator.stop();
        let received = received.map_err(|source| BoardError::Line { source, said: said.clone() })?;
        split(received, said)
    }
}

impl Figures {
    /// Mean number of instructions a sample behind so many ticks.
    pub fn instructions_per_sample(&self, ticks: u64) -> f64 {
        ticks as f64 * INSTRUCTIONS_PER_TICK / f64::from(self.samples.max(1))
    }

    /// Static data and deepest stack, bytes.
    pub fn ram_bytes(&self) -> u32 {
        self.static_bytes.saturating_add(self.stack_bytes)
    }

    /// Figures and limits as a table.
    pub fn table(&self) -> String {
        let [driver, device, total] = [self.driver_ticks, self.device_ticks, self.driver_ticks + self.device_ticks]
            .map(|ticks| self.instructions_per_sample(ticks));
        let row = |name: &str, value: String, limit: String| format!("{name:<42} {value:>8} {limit:>8}\n");
        let none = String::new;
        [
            row("", "measured".into(), "limit".into()),
            row("flash, bytes", self.flash_bytes.to_string(), FLASH_LIMIT_BYTES.to_string()),
            row("RAM, bytes", self.ram_bytes().to_string(), RAM_LIMIT_BYTES.to_string()),
            row("  static data", self.static_bytes.to_string(), none()),
            row("    of it the device", self.device_bytes.to_string(), none()),
            row("  deepest stack", self.stack_bytes.to_string(), none()),
            row("instructions a sample, mean", format!("{total:.0}"), format!("{INSTRUCTIONS_LIMIT:.0}")),
            row("  driver, with the emulated converter", format!("{driver:.0}"), none()),
            row("  detector and telemetry", format!("{device:.0}"), none()),
            row("samples", self.samples.to_string(), none()),
        ]
        .concat()
    }
}

/// All that the board is to get, framed.
fn stimulus(config: &DeviceConfig, samples: &[CodeSample]) -> Result<Vec<u8>, BoardError> {
    let mut writer = FrameWriter::new();
    let mut bytes = Vec::new();
    let mut frame = |kind, payload: &[u8]| -> Result<(), WriteError> {
        let mut out = vec![0; max_frame_len(payload.len())];
        let used = writer.write_payload(kind, payload, None, &mut out)?;
        bytes.extend(out.iter().take(used));
        Ok(())
    };
    frame(link::CONFIGURATION, postcard::to_slice(config, &mut [0; link::FRAME_BYTES])?)?;
    for samples in samples.chunks(FRAME_SAMPLES) {
        let payload: Vec<u8> = samples.iter().flat_map(|sample| Stimulus::of(sample).to_bytes()).collect();
        frame(link::SAMPLES, &payload)?;
    }
    frame(link::END, &[])?;
    Ok(bytes)
}

/// Takes the board's last frame off its telemetry.
fn split(mut received: Vec<u8>, said: String) -> Result<Run, BoardError> {
    // A frame ends with a zero byte and holds no other.
    let before = received.strip_suffix(&[0]).unwrap_or(&received);
    let from = before.iter().rposition(|byte| *byte == 0).map_or(0, |end| end + 1);
    let last = received.split_off(from);
    let nothing = BoardError::NoFigures { bytes: received.len(), said };
    match frames(&last).next() {
        Some(Event::Frame(frame)) if frame.kind == link::FIGURES => {
            let figures = postcard::from_bytes(frame.payload).map_err(|_| nothing)?;
            Ok(Run { telemetry: received, figures })
        }
        Some(Event::Frame(frame)) if frame.kind == link::REFUSAL => {
            Err(BoardError::Refused { reason: String::from_utf8_lossy(frame.payload).into_owned() })
        }
        _ => Err(nothing),
    }
}

/// The running emulator and its two serial lines.
struct Emulator {
    process: Child,
    telemetry: TcpStream,
    stimulus: TcpStream,
}

impl Emulator {
    fn start(image: &Path) -> Result<Emulator, BoardError> {
        let broken = |source| BoardError::Line { source, said: String::new() };
        let listen = || TcpListener::bind(("127.0.0.1", 0));
        let (telemetry, stimulus) = (listen().map_err(broken)?, listen().map_err(broken)?);
        let mut command = Command::new("qemu-system-arm");
        command.args(["-M", "mps2-an386", "-display", "none", "-monitor", "none", "-icount", "shift=0"]);
        command.args(["-semihosting-config", "enable=on,target=native"]);
        for line in [&telemetry, &stimulus] {
            command.args(["-serial", &format!("tcp:{}", line.local_addr().map_err(broken)?)]);
        }
        let mut process = command
            .arg("-kernel")
            .arg(image)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|source| BoardError::NotInstalled {
                program: "qemu-system-arm",
                package: "qemu-system-arm",
                source,
            })?;
        let lines = accept(&telemetry, &mut process).and_then(|first| Ok((first, accept(&stimulus, &mut process)?)));
        match lines {
            Ok((telemetry, stimulus)) => Ok(Emulator { process, telemetry, stimulus }),
            Err(source) => Err(BoardError::Line { source, said: stop(&mut process) }),
        }
    }

    /// Sends the stimulus and receives until the board has ended.
    fn exchange(&mut self, stimulus: Vec<u8>) -> io::Result<Vec<u8>> {
        let mut line = self.stimulus.try_clone()?;
        // A board that refuses the stimulus closes the line under it: what it says then is on the other line.
        let sender = thread::spawn(move || line.write_all(&stimulus));
        let mut received = Vec::new();
        let outcome = self.telemetry.read_to_end(&mut received);
        self.stimulus.shutdown(std::net::Shutdown::Both).ok();
        sender.join().ok();
        outcome.map(|_| received)
    }

    /// Ends the emulator and returns what it said.
    fn stop(mut self) -> String {
        stop(&mut self.process)
    }
}

/// Waits for the emulator to call.
fn accept(listener: &TcpListener, process: &mut Child) -> io::Result<TcpStream> {
    listener.set_nonblocking(true)?;
    let since = Instant::now();
    loop {
        match listener.accept() {
            Ok((line, _)) => {
                line.set_nonblocking(false)?;
                line.set_nodelay(true)?;
                line.set_read_timeout(Some(SILENCE))?;
                return Ok(line);
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            Err(error) => return Err(error),
        }
        if process.try_wait()?.is_some() || since.elapsed() > SILENCE {
            return Err(io::Error::new(io::ErrorKind::NotConnected, "the emulator did not connect"));
        }
        thread::sleep(Duration::from_millis(10));
    }
}

fn stop(process: &mut Child) -> String {
    // Most often it has ended by itself.
    process.kill().ok();
    let mut said = String::new();
    if let Some(mut stderr) = process.stderr.take() {
        stderr.read_to_string(&mut said).ok();
    }
    process.wait().ok();
    said
}
