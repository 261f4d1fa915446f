//! The device on an emulated Cortex-M4F board: wiring only, no decision.
//!
//! A host shows codes to the emulated converter over one serial line and takes the device's telemetry from another; see
//! [`link`]. Driver, detector and telemetry are the ones of every other board.
#![no_std]
#![no_main]

mod converter;
mod link;
mod measure;
mod uart;

use core::panic::PanicInfo;

use airvalve_monitor::device::{Device, DeviceConfig};
use airvalve_sensors::{CHANNELS, Channel, CodeSample, bus::Converter};
use airvalve_telemetry::{Event, Frame, FrameReader, FrameWriter};
use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use embedded_hal::delay::DelayNs;

use crate::{
    converter::{Bus, Inputs},
    link::{Figures, Stimulus},
    measure::Ticks,
    uart::Uart,
};

#[entry]
fn main() -> ! {
    // SAFETY: the only place that takes them, and it runs once.
    let (mut telemetry, stimulus) = unsafe { (Uart::telemetry(), Uart::stimulus()) };
    let mut line = Line::new(stimulus);
    // Used where it was built: a move would put a second device on the stack.
    let mut started = start(&mut line);
    let outcome = match &mut started {
        Ok((device, fitted)) => run(&mut line, device, fitted, &mut telemetry),
        Err(reason) => Err(*reason),
    };
    match outcome {
        Ok(figures) => {
            send_figures(&figures, &mut telemetry);
            debug::exit(debug::EXIT_SUCCESS);
        }
        Err(reason) => {
            send_frame(link::REFUSAL, reason.as_bytes(), &mut telemetry);
            debug::exit(debug::EXIT_FAILURE);
        }
    }
    loop {
        cortex_m::asm::wfi();
    }
}

/// The stimulus line, frame by frame.
struct Line {
    uart: Uart,
    reader: FrameReader<{ link::FRAME_BYTES }>,
}

impl Line {
    fn new(uart: Uart) -> Line {
        Line { uart, reader: FrameReader::new() }
    }

    /// Waits for a frame and lets `take` use it.
    fn next<T>(&mut self, take: impl FnOnce(Frame<'_>) -> Result<T, &'static str>) -> Result<T, &'static str> {
        loop {
            let byte = [self.uart.read()];
            match self.reader.next_event(&mut byte.as_slice()) {
                None => {}
                Some(Event::Frame(frame)) => return take(frame),
                Some(_) => return Err("stimulus: a frame is damaged or lost; send unbroken frames numbered from 0"),
            }
        }
    }
}

/// Which inputs of the first converter carry a channel.
type Fitted = [bool; CHANNELS];

/// Takes the configuration and makes the device.
// Apart from the run, so that the stack it needs is free again.
#[inline(never)]
fn start(line: &mut Line) -> Result<(Device, Fitted), &'static str> {
    let config: DeviceConfig = line.next(|frame| {
        if frame.kind != link::CONFIGURATION {
            return Err("stimulus: the first frame is no configuration (kind 0xF0); send one first");
        }
        postcard::from_bytes(frame.payload).map_err(
            |_| "configuration: not in the postcard form of a device configuration; build host and image alike",
        )
    })?;
    Ok((Device::new(&config), Channel::ALL.map(|channel| config.site.is_fitted(channel))))
}

/// Takes samples until the end.
// Apart, so that the device is reached by a pointer and not over the far ends of one big stack frame.
#[inline(never)]
fn run(line: &mut Line, device: &mut Device, fitted: &Fitted, telemetry: &mut Uart) -> Result<Figures, &'static str> {
    let Some(core) = cortex_m::Peripherals::take() else {
        return Err("core peripherals: taken already");
    };
    let inputs = Inputs::new([0; 4]);
    let mut board = Board {
        converter: Converter::first(Bus::new(&inputs), |channel| {
            fitted.get(channel.index()).copied().unwrap_or_default()
        }),
        inputs: &inputs,
        device,
        telemetry,
        ticks: Ticks::start(core.SYST),
        figures: Figures::default(),
        last_us: 0,
    };
    loop {
        let is_over = line.next(|frame| match frame.kind {
            link::SAMPLES => {
                let (samples, rest) = frame.payload.as_chunks();
                samples.iter().for_each(|bytes| board.sample(Stimulus::from_bytes(bytes)));
                if rest.is_empty() {
                    Ok(false)
                } else {
                    Err("samples: a frame is no whole number of samples; 17 bytes each")
                }
            }
            link::END => Ok(true),
            _ => Err("stimulus: a frame of another kind than samples (0xF1) or end (0xF2); send those only"),
        })?;
        if is_over {
            return Ok(board.end());
        }
    }
}

/// Converter, device and serial line, and what they cost.
struct Board<'a> {
    converter: Converter<Bus<'a>>,
    inputs: &'a Inputs,
    device: &'a mut Device,
    telemetry: &'a mut Uart,
    ticks: Ticks,
    figures: Figures,
    last_us: i64,
}

impl Board<'_> {
    fn sample(&mut self, stimulus: Stimulus) {
        let Board { converter, inputs, device, telemetry, ticks, figures, last_us } = self;
        *last_us = stimulus.time_us;
        inputs.set(stimulus.input_codes);
        let mut sample = CodeSample::missing(stimulus.time_us);
        sample.contacts = stimulus.contacts();

        figures.total_ticks += ticks.lap();
        converter.read(&mut sample.codes, &mut NoDelay);
        let driver_ticks = ticks.lap();
        let (mut device_ticks, mut line_ticks) = (0, 0);
        device.sample(&sample, &mut |bytes| {
            device_ticks += ticks.lap();
            telemetry.write(bytes);
            line_ticks += ticks.lap();
        });
        device_ticks += ticks.lap();

        figures.samples = figures.samples.wrapping_add(1);
        figures.driver_ticks += driver_ticks;
        figures.device_ticks += device_ticks;
        figures.total_ticks += driver_ticks + device_ticks + line_ticks;
    }

    fn end(mut self) -> Figures {
        let telemetry = self.telemetry;
        self.device.flush(self.last_us, &mut |bytes| telemetry.write(bytes));
        self.figures.flash_bytes = measure::flash_bytes();
        self.figures.static_bytes = measure::static_bytes();
        self.figures.stack_bytes = measure::stack_bytes();
        self.figures.device_bytes = size_of::<Device>() as u32;
        self.figures
    }
}

/// The emulated converter is always ready: nobody waits.
struct NoDelay;

impl DelayNs for NoDelay {
    fn delay_ns(&mut self, _ns: u32) {}
}

fn send_figures(figures: &Figures, telemetry: &mut Uart) {
    let mut payload = [0; 64];
    let payload = postcard::to_slice(figures, &mut payload).unwrap_or_default();
    send_frame(link::FIGURES, payload, telemetry);
}

fn send_frame(kind: u8, payload: &[u8], telemetry: &mut Uart) {
    let mut out = [0; 192];
    let used = FrameWriter::new().write_payload(kind, payload, None, &mut out).unwrap_or_default();
    telemetry.write(out.get(..used).unwrap_or_default());
    // The emulator ends with the program: nothing may be on its way then.
    telemetry.flush();
}

unsafe extern "C" {
    /// Exists nowhere: an image in which a panic can still happen does not link.
    fn a_panic_path_is_left() -> !;
}

#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    // SAFETY: never runs, since an image that calls it does not link.
    unsafe { a_panic_path_is_left() }
}
