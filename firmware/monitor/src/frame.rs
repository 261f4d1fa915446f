//! Means over about a second: the steps in which evidence is built, whatever the sample rate.

use airvalve_sensors::{Contact, Contacts};

use crate::{learned::Learned, site::SiteData, state::ValveState, watched::WatchedChannels};

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
    /// Where no contact tells, a pump runs above this chamber pressure, kPa gauge.
    pub pump_above_kpa: f32,
    /// State of the valve at its end.
    pub state: ValveState,
}

impl Frame {
    /// Whether the pump runs: by its contact, or else by the pressure.
    pub fn is_pumping(&self) -> bool {
        self.pump.unwrap_or(self.pressure_kpa > self.pump_above_kpa)
    }
}

/// Counts time until a frame is full.
#[derive(Clone, Copy, Debug, Default)]
pub struct FrameBuilder {
    length_s: f32,
    contacts: Contacts,
}

impl FrameBuilder {
    /// Lets time pass; true when the frame is full.
    #[inline(always)]
    pub fn advance(&mut self, dt_s: f32, contacts: Contacts, frame_s: f32) -> bool {
        self.length_s += dt_s;
        self.contacts = contacts;
        // Half a sample of grace: ten samples of 0.1 s must make one second whatever the rounding.
        self.length_s + 0.5 * dt_s >= frame_s
    }

    /// Takes the frame out and begins a new one.
    pub(crate) fn take(
        &mut self,
        time_us: i64,
        state: ValveState,
        learned: &Learned,
        site: &SiteData,
        channels: &mut WatchedChannels,
    ) -> Frame {
        let ([float_pct, pressure_kpa, odour_ppm, line_kpa, air_c, ..], pressure_samples) = channels.take_means();
        let frame = Frame {
            time_us,
            length_s: self.length_s,
            float_pct,
            pressure_kpa: pressure_kpa - learned.zero_kpa,
            pressure_samples,
            odour_ppm,
            line_kpa,
            air_c,
            pump: self.contacts.get(Contact::PumpRunning),
            pump_above_kpa: learned.pump_above_kpa(site),
            state,
        };
        *self = FrameBuilder::default();
        frame
    }
}
