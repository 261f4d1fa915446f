//! Means over about a second: the steps in which evidence is built, whatever the sample rate.

use airvalve_sensors::{Channel, Contact, Contacts};

use crate::state::ValveState;

/// Channels that have a mean.
const AVERAGED: usize = 5;

/// Means over one frame; NaN where a channel gave nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// End of the frame, Unix microseconds.
    pub time_us: i64,
    /// Length, s.
    pub length_s: f32,
    /// Float position, %.
    pub float_pct: f32,
    /// Chamber pressure, zero-corrected, kPa gauge.
    pub pressure_kpa: f32,
    /// Readings in that mean.
    pub pressure_samples: f32,
    /// Odour, ppm.
    pub odour_ppm: f32,
    /// Line pressure, kPa gauge.
    pub line_kpa: f32,
    /// Air temperature in the vault, degC.
    pub air_c: f32,
    /// The station's pump runs.
    pub pump: Option<bool>,
    /// State of the valve at its end.
    pub state: ValveState,
}

/// Adds up samples until a frame is full.
#[derive(Clone, Copy, Debug, Default)]
pub struct FrameBuilder {
    sums: [f32; AVERAGED],
    counts: [f32; AVERAGED],
    length_s: f32,
    contacts: Contacts,
}

impl FrameBuilder {
    /// Adds one value a channel, in the order of the channels' ids; NaN is left out.
    #[inline(always)]
    pub fn add(&mut self, values: &[f32; AVERAGED]) {
        for ((sum, count), value) in self.sums.iter_mut().zip(&mut self.counts).zip(values) {
            if !value.is_nan() {
                *sum += value;
                *count += 1.0;
            }
        }
    }

    /// Lets time pass; true when the frame is full.
    #[inline(always)]
    pub fn advance(&mut self, dt_s: f32, contacts: Contacts, frame_s: f32) -> bool {
        self.length_s += dt_s;
        self.contacts = contacts;
        // Half a sample of grace: ten samples of 0.1 s must make one second whatever the rounding.
        self.length_s + 0.5 * dt_s >= frame_s
    }

    /// Takes the frame out and begins a new one.
    pub fn take(&mut self, time_us: i64, zero_kpa: f32, state: ValveState) -> Frame {
        let mean = |channel: Channel| match (self.sums.get(channel as usize), self.counts.get(channel as usize)) {
            (Some(sum), Some(count)) if *count > 0.0 => sum / count,
            _ => f32::NAN,
        };
        let frame = Frame {
            time_us,
            length_s: self.length_s,
            float_pct: mean(Channel::FloatPosition),
            pressure_kpa: mean(Channel::ChamberPressure) - zero_kpa,
            pressure_samples: self.counts.get(Channel::ChamberPressure as usize).copied().unwrap_or(0.0),
            odour_ppm: mean(Channel::Odour),
            line_kpa: mean(Channel::LinePressure),
            air_c: mean(Channel::AirTemperature),
            pump: self.contacts.get(Contact::PumpRunning),
            state,
        };
        *self = FrameBuilder::default();
        frame
    }
}
