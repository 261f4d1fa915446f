//! Reads the loops: four shunts a converter, one-shot conversions over I2C.
//!
//! The converter is a 16-bit I2C type with a four-way multiplexer; the driver crate `ads1x1x` speaks to it unmodified.
//! Every wait is bounded: a converter that does not answer costs a missing sample, never a hung device.

use ads1x1x::{
    Ads1x1x, ChannelId, DataRate16Bit, FullScaleRange, TargetAddr, channel as input,
    ic::{Ads1115, Resolution16Bit},
    mode::OneShot,
};
use embedded_hal::{delay::DelayNs, i2c::I2c};

use crate::{
    channel::{Channel, Channels},
    sample::MISSING_CODE,
};

/// One conversion at 860 samples a second, with the converter's clock 10 % slow, microseconds.
const CONVERSION_US: u32 = 1_300;
/// One conversion at 128 samples a second, the rate after power-on, with the converter's clock 10 % slow, microseconds.
const FIRST_CONVERSION_US: u32 = 8_700;
/// Pause between two looks at a conversion that is late, microseconds.
const LATE_POLL_US: u32 = 200;
/// How often a late conversion is looked at before its sample counts as missing.
const LATE_POLLS: u8 = 5;

/// I2C address of the converter that reads float, chamber pressure, odour and line pressure.
pub const FIRST_CONVERTER_ADDRESS: u8 = 0x48;
/// I2C address of the converter that reads air temperature and the held pressure extremes.
pub const SECOND_CONVERTER_ADDRESS: u8 = 0x49;

/// Which channels hang on which converter, by its inputs 0 to 3.
pub const FIRST_CONVERTER_INPUTS: [Option<Channel>; 4] =
    [Some(Channel::FloatPosition), Some(Channel::ChamberPressure), Some(Channel::Odour), Some(Channel::LinePressure)];
/// Inputs of the second converter.
pub const SECOND_CONVERTER_INPUTS: [Option<Channel>; 4] =
    [Some(Channel::AirTemperature), Some(Channel::PressureMin), Some(Channel::PressureMax), None];

/// One converter with four loops.
pub struct Converter<I2C> {
    driver: Ads1x1x<I2C, Ads1115, Resolution16Bit, OneShot>,
    inputs: [Option<Channel>; 4],
    is_configured: bool,
    /// It could not be set up: it takes no more time from the others until the next read.
    has_given_up: bool,
    /// Transfers that failed or came too late since the start.
    pub failed_reads: u32,
}

impl<I2C: I2c> Converter<I2C> {
    /// The converter for float, chamber pressure, odour and line pressure; `fitted` says which of them there are.
    pub fn first(i2c: I2C, fitted: impl Fn(Channel) -> bool) -> Self {
        Self::new(i2c, TargetAddr::Gnd, FIRST_CONVERTER_INPUTS, fitted)
    }

    /// The converter for air temperature and the held pressure extremes.
    pub fn second(i2c: I2C, fitted: impl Fn(Channel) -> bool) -> Self {
        Self::new(i2c, TargetAddr::Vdd, SECOND_CONVERTER_INPUTS, fitted)
    }

    fn new(i2c: I2C, address: TargetAddr, inputs: [Option<Channel>; 4], fitted: impl Fn(Channel) -> bool) -> Self {
        Converter {
            driver: Ads1x1x::new_ads1115(i2c, address),
            inputs: inputs.map(|channel| channel.filter(|channel| fitted(*channel))),
            is_configured: false,
            has_given_up: false,
            failed_reads: 0,
        }
    }

    /// Whether any of its inputs carries a channel.
    pub fn is_used(&self) -> bool {
        self.inputs.iter().any(Option::is_some)
    }

    /// Reads every fitted input once; an input that does not answer reads [`MISSING_CODE`].
    pub fn read(&mut self, codes: &mut Channels<i16>, delay: &mut impl DelayNs) {
        let [first, second, third, fourth] = self.inputs;
        self.has_given_up = false;
        self.read_input(first, || input::SingleA0, codes, delay);
        self.read_input(second, || input::SingleA1, codes, delay);
        self.read_input(third, || input::SingleA2, codes, delay);
        self.read_input(fourth, || input::SingleA3, codes, delay);
    }

    /// Sets the converter up: one that was off at the start may come back.
    #[cold]
    #[inline(never)]
    fn configure(&mut self, delay: &mut impl DelayNs) -> bool {
        if self.has_given_up {
            return false;
        }
        self.is_configured = self.driver.set_full_scale_range(FullScaleRange::Within4_096V).is_ok()
            && self.driver.set_data_rate(DataRate16Bit::Sps860).is_ok();
        if self.is_configured {
            // Setting it up has started a conversion, perhaps at the slow rate that it wakes up with.
            delay.delay_us(FIRST_CONVERSION_US);
        } else {
            self.has_given_up = true;
            self.failed_reads = self.failed_reads.saturating_add(1);
        }
        self.is_configured
    }

    /// Reads one input; nothing is read of a converter that is not set up.
    fn read_input<C>(
        &mut self,
        channel: Option<Channel>,
        input: impl Fn() -> C,
        codes: &mut Channels<i16>,
        delay: &mut impl DelayNs,
    ) where
        C: ChannelId<Ads1x1x<I2C, Ads1115, Resolution16Bit, OneShot>>,
    {
        let Some(channel) = channel else { return };
        let is_ready = self.is_configured || self.configure(delay);
        match if is_ready { self.convert(input, delay) } else { None } {
            Some(code) => codes.set(channel, code),
            None => self.miss(channel, codes),
        }
    }

    #[cold]
    #[inline(never)]
    fn miss(&mut self, channel: Channel, codes: &mut Channels<i16>) {
        self.failed_reads = self.failed_reads.saturating_add(u32::from(self.is_configured));
        // Whatever went wrong may have reset the converter: it is set up anew before the next input.
        self.is_configured = false;
        codes.set(channel, MISSING_CODE);
    }

    fn convert<C>(&mut self, input: impl Fn() -> C, delay: &mut impl DelayNs) -> Option<i16>
    where
        C: ChannelId<Ads1x1x<I2C, Ads1115, Resolution16Bit, OneShot>>,
    {
        let mut wait_us = CONVERSION_US;
        for _ in 0..LATE_POLLS {
            match self.driver.read(input()) {
                // Full scale negative is no current; it would collide with the mark of a missing sample.
                Ok(code) => return Some(code.max(-i16::MAX)),
                Err(nb::Error::WouldBlock) => delay.delay_us(wait_us),
                Err(nb::Error::Other(_)) => return None,
            }
            wait_us = LATE_POLL_US;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use embedded_hal::i2c::{ErrorKind, ErrorType, NoAcknowledgeSource, Operation};

    use super::*;

    /// A bus on which nothing answers; counts what is tried.
    struct DeadBus<'a>(&'a core::cell::Cell<u32>);

    impl ErrorType for DeadBus<'_> {
        type Error = ErrorKind;
    }

    impl I2c for DeadBus<'_> {
        fn transaction(&mut self, _address: u8, _operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
            self.0.set(self.0.get() + 1);
            Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address))
        }
    }

    struct Waited {
        ns: u64,
    }

    impl DelayNs for Waited {
        fn delay_ns(&mut self, ns: u32) {
            self.ns += u64::from(ns);
        }
    }

    #[test]
    fn a_dead_converter_takes_no_time_from_the_others() {
        let transfers = core::cell::Cell::new(0);
        let mut dead = Converter::second(DeadBus(&transfers), |_| true);
        let mut waited = Waited { ns: 0 };
        let mut codes = Channels([1; crate::CHANNELS]);
        dead.read(&mut codes, &mut waited);
        assert_eq!((waited.ns, transfers.get(), dead.failed_reads), (0, 1, 1));
        for channel in Channel::ALL {
            let is_on_it = SECOND_CONVERTER_INPUTS.contains(&Some(channel));
            assert_eq!(codes.get(channel) == MISSING_CODE, is_on_it, "{channel:?}");
        }
        // It is tried again with the next sample.
        dead.read(&mut codes, &mut waited);
        assert_eq!((waited.ns, transfers.get()), (0, 2));
    }
}
