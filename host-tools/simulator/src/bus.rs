//! The simulated I2C bus: two 16-bit converters with four loops each, as their driver sees them.
//!
//! It knows the registers, the one-shot conversion with its time, multiplexer, range and data rate, and ways to fail. What
//! a real bus does in bits and clocks it leaves out.

use std::{cell::RefCell, rc::Rc};

use airvalve_sensors::{
    CHANNELS, Channel, FrontEnd, LoopCurrent,
    bus::{FIRST_CONVERTER_ADDRESS, FIRST_CONVERTER_INPUTS, SECOND_CONVERTER_ADDRESS, SECOND_CONVERTER_INPUTS},
};
use embedded_hal::{
    delay::DelayNs,
    i2c::{self, ErrorKind, NoAcknowledgeSource, Operation},
};

use crate::scenario::BusFaultKind;

/// Registers, bits and powers-on of the converter. Source: the ADS1115 data sheet, register map.
const CONVERSION_REGISTER: u8 = 0;
const CONFIG_REGISTER: u8 = 1;
const START_OR_IDLE: u16 = 0x8000;
const CONFIG_AT_POWER_ON: u16 = 0x8583;
const FULL_SCALE_V: [f32; 8] = [6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256];
const SAMPLES_PER_S: [u64; 8] = [8, 16, 32, 64, 128, 250, 475, 860];
/// A late converter needs so many times its usual time.
const LATE_FACTOR: u64 = 20;

#[derive(Debug)]
struct ConverterState {
    inputs: [Option<Channel>; 4],
    pointer: u8,
    config: u16,
    thresholds: [u16; 2],
    conversion: i16,
    ready_at_ns: u64,
    fault: Option<BusFaultKind>,
}

#[derive(Debug)]
struct State {
    now_ns: u64,
    shunt_ohm: f32,
    /// Current in each channel's loop; `None` where the converter does not answer for it.
    currents: [Option<LoopCurrent>; CHANNELS],
    converters: [ConverterState; 2],
}

/// A handle of the bus; clones share it, one for each converter's driver.
#[derive(Clone, Debug)]
pub struct SensorBus {
    state: Rc<RefCell<State>>,
}

/// Lets the time of the bus pass.
#[derive(Clone, Debug)]
pub struct BusDelay {
    state: Rc<RefCell<State>>,
}

impl SensorBus {
    pub(crate) fn new(shunt_ohm: f32) -> SensorBus {
        let converter = |inputs| ConverterState {
            inputs,
            pointer: CONVERSION_REGISTER,
            config: CONFIG_AT_POWER_ON,
            thresholds: [0x8000, 0x7FFF],
            conversion: 0,
            ready_at_ns: 0,
            fault: None,
        };
        SensorBus {
            state: Rc::new(RefCell::new(State {
                now_ns: 0,
                shunt_ohm,
                currents: [None; CHANNELS],
                converters: [converter(FIRST_CONVERTER_INPUTS), converter(SECOND_CONVERTER_INPUTS)],
            })),
        }
    }

    pub(crate) fn delay(&self) -> BusDelay {
        BusDelay { state: Rc::clone(&self.state) }
    }

    /// A new sample, so many nanoseconds after the start.
    pub(crate) fn set_currents(&self, at_ns: u64, currents: [Option<LoopCurrent>; CHANNELS]) {
        let mut state = self.state.borrow_mut();
        state.now_ns = state.now_ns.max(at_ns);
        state.currents = currents;
    }

    pub(crate) fn set_faults(&self, faults: [Option<BusFaultKind>; 2]) {
        let state = &mut *self.state.borrow_mut();
        for (converter, fault) in state.converters.iter_mut().zip(faults) {
            converter.fault = fault;
        }
    }
}

impl DelayNs for BusDelay {
    fn delay_ns(&mut self, ns: u32) {
        self.state.borrow_mut().now_ns += u64::from(ns);
    }

    fn delay_us(&mut self, us: u32) {
        self.state.borrow_mut().now_ns += 1_000 * u64::from(us);
    }
}

impl i2c::ErrorType for SensorBus {
    type Error = ErrorKind;
}

impl i2c::I2c for SensorBus {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        let state = &mut *self.state.borrow_mut();
        let [first, second] = &mut state.converters;
        let converter = match address {
            FIRST_CONVERTER_ADDRESS => first,
            SECOND_CONVERTER_ADDRESS => second,
            _ => return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address)),
        };
        match converter.fault {
            Some(BusFaultKind::Nack) => {
                return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address));
            }
            Some(BusFaultKind::Stuck) => return Err(ErrorKind::Bus),
            Some(BusFaultKind::Late) | None => {}
        }
        let loops = Loops { shunt_ohm: state.shunt_ohm, currents: &state.currents };
        for operation in operations {
            match operation {
                Operation::Write(bytes) => converter.write(bytes, &loops, state.now_ns)?,
                Operation::Read(bytes) => converter.read(bytes, state.now_ns),
            }
        }
        Ok(())
    }
}

struct Loops<'a> {
    shunt_ohm: f32,
    currents: &'a [Option<LoopCurrent>; CHANNELS],
}

impl ConverterState {
    fn write(&mut self, bytes: &[u8], loops: &Loops<'_>, now_ns: u64) -> Result<(), ErrorKind> {
        match *bytes {
            [] => Ok(()),
            [pointer] => {
                self.pointer = pointer & 3;
                Ok(())
            }
            [pointer, high, low, ..] => {
                self.pointer = pointer & 3;
                let value = u16::from_be_bytes([high, low]);
                match self.pointer {
                    CONVERSION_REGISTER => Ok(()),
                    CONFIG_REGISTER => self.configure(value, loops, now_ns),
                    low_or_high => {
                        self.thresholds[usize::from(low_or_high & 1)] = value;
                        Ok(())
                    }
                }
            }
            [_, _] => Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Data)),
        }
    }

    fn configure(&mut self, value: u16, loops: &Loops<'_>, now_ns: u64) -> Result<(), ErrorKind> {
        self.config = value & !START_OR_IDLE;
        // A start has no effect while a conversion is going on.
        if value & START_OR_IDLE == 0 || now_ns < self.ready_at_ns {
            return Ok(());
        }
        self.conversion = self.convert(loops).ok_or(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Data))?;
        let mut takes_ns = 1_000_000_000 / SAMPLES_PER_S[usize::from((value >> 5) & 7)];
        if self.fault == Some(BusFaultKind::Late) {
            takes_ns *= LATE_FACTOR;
        }
        self.ready_at_ns = now_ns + takes_ns;
        Ok(())
    }

    /// The code of the selected input; `None` when the converter does not answer for it.
    fn convert(&self, loops: &Loops<'_>) -> Option<i16> {
        let front_end =
            FrontEnd { shunt_ohm: loops.shunt_ohm, full_scale_v: FULL_SCALE_V[usize::from((self.config >> 9) & 7)] };
        let code = |input: usize| match self.inputs[input] {
            Some(channel) => loops.currents[channel.index()].map(|current| front_end.code_from_current(current)),
            None => Some(0),
        };
        // Setting a converter up starts a difference of two inputs: a loop that is not there must not stop that.
        let difference = |plus, minus| Some(code(plus).unwrap_or(0).saturating_sub(code(minus).unwrap_or(0)));
        match (self.config >> 12) & 7 {
            0 => difference(0, 1),
            1 => difference(0, 3),
            2 => difference(1, 3),
            3 => difference(2, 3),
            single => code(usize::from(single & 3)),
        }
    }

    fn read(&self, bytes: &mut [u8], now_ns: u64) {
        let value = match self.pointer {
            CONVERSION_REGISTER => self.conversion as u16,
            CONFIG_REGISTER if now_ns >= self.ready_at_ns => self.config | START_OR_IDLE,
            CONFIG_REGISTER => self.config,
            low_or_high => self.thresholds[usize::from(low_or_high & 1)],
        };
        for (byte, value) in bytes.iter_mut().zip(value.to_be_bytes()) {
            *byte = value;
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use embedded_hal::i2c::I2c;

    #[test]
    fn a_conversion_is_busy_for_its_time_and_then_gives_the_code() {
        let mut bus = SensorBus::new(150.0);
        let mut delay = bus.delay();
        let mut currents = [None; CHANNELS];
        currents[1] = Some(LoopCurrent::from_milliamperes(12.0));
        bus.set_currents(0, currents);
        // Start, AIN1 against ground, +-4.096 V, one shot, 860 samples a second.
        bus.write(0x48, &[1, 0xD3, 0xE3]).unwrap();
        let mut config = [0; 2];
        bus.write_read(0x48, &[1], &mut config).unwrap();
        assert_eq!(config[0] & 0x80, 0);
        delay.delay_us(1_163);
        bus.write_read(0x48, &[1], &mut config).unwrap();
        assert_eq!(config[0] & 0x80, 0x80);
        let mut code = [0; 2];
        bus.write_read(0x48, &[0], &mut code).unwrap();
        // Source: 12 mA across 150 ohm is 1.8 V, at 125 uV a code (data sheet).
        assert_eq!(i16::from_be_bytes(code), 14_400);
        assert!(bus.write_read(0x48, &[1], &mut config).is_ok());
        assert!(bus.write(0x4A, &[1]).is_err());
    }
}
