//! The transmitters: quantities to loop currents and codes, with their faults.

use airvalve_sensors::{CHANNELS, Channel, Channels, FrontEnd, LoopCurrent, MISSING_CODE, Transmitter};
use airvalve_site::Site;

use crate::{
    random::Gaussian,
    reader::ScenarioError,
    scenario::{Scenario, SensorFault},
};

/// What the transmitters stand in.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surroundings {
    pub(crate) float_pct: f32,
    pub(crate) chamber_kpa: f32,
    pub(crate) line_kpa: f32,
}

#[derive(Clone, Debug)]
pub(crate) struct Sensing {
    fitted: [bool; CHANNELS],
    transmitters: [Transmitter; CHANNELS],
    faults: Vec<SensorFault>,
    front_end: FrontEnd,
    noise: Gaussian,
    ripple_pct: f32,
    /// Least and greatest chamber pressure that the transmitter has seen since the last sample, kPa gauge.
    least_kpa: f32,
    greatest_kpa: f32,
    pub(crate) currents: [Option<LoopCurrent>; CHANNELS],
}

impl Sensing {
    pub(crate) fn new(
        scenario: &Scenario,
        site: &Site,
        zero_pct_span: [f64; 5],
        noise: Gaussian,
    ) -> Result<Sensing, ScenarioError> {
        let mut fitted = [false; CHANNELS];
        for channel in &scenario.channels {
            fitted[channel.index()] = true;
        }
        for fault in &scenario.sensor_faults {
            if !fitted[fault.channel.index()] {
                let rule = "the channel is not fitted (channels)";
                let column = fault.channel.column().to_owned();
                return Err(fault.place.contradiction(column, rule));
            }
        }
        let transmitters = Channel::ALL.map(|channel| {
            let spec = site.sensors.channels.get(channel);
            // Extremes are held from the chamber's own signal: its zero, and no second lag.
            let (lag_s, zero) = match channel {
                Channel::PressureMin | Channel::PressureMax => (0.0, zero_pct_span[1]),
                other => (spec.lag_s, zero_pct_span[other.index()]),
            };
            Transmitter::new(spec.span, lag_s as f32, scenario.noise_pct_span as f32, zero as f32)
        });
        Ok(Sensing {
            fitted,
            transmitters,
            faults: scenario.sensor_faults.clone(),
            front_end: FrontEnd::default(),
            noise,
            ripple_pct: scenario.plant.ripple_pct as f32,
            least_kpa: f32::INFINITY,
            greatest_kpa: f32::NEG_INFINITY,
            currents: [None; CHANNELS],
        })
    }

    pub(crate) fn fitted(&self) -> [bool; CHANNELS] {
        self.fitted
    }

    pub(crate) fn shunt_ohm(&self) -> f32 {
        self.front_end.shunt_ohm
    }

    /// Lets the fast transmitters follow for one step of the physics.
    #[inline]
    pub(crate) fn follow(&mut self, around: Surroundings, dt: f32) {
        let [float, chamber, _, line, ..] = &mut self.transmitters;
        float.follow(around.float_pct, dt);
        let seen_kpa = chamber.follow(around.chamber_kpa, dt);
        self.least_kpa = self.least_kpa.min(seen_kpa);
        self.greatest_kpa = self.greatest_kpa.max(seen_kpa);
        if self.fitted[Channel::LinePressure.index()] {
            line.follow(around.line_kpa, dt);
        }
    }

    /// Takes a sample: slow transmitters, extremes, noise, faults.
    pub(crate) fn sample(&mut self, now_s: f64, dt: f32, odour_ppm: f32, air_temp_c: f32, is_rippling: bool) {
        let [_, _, odour, _, temperature, least, greatest] = &mut self.transmitters;
        odour.follow(odour_ppm, dt);
        temperature.follow(air_temp_c, dt);
        least.follow(self.least_kpa, dt);
        greatest.follow(self.greatest_kpa, dt);
        self.least_kpa = f32::INFINITY;
        self.greatest_kpa = f32::NEG_INFINITY;
        let ripple_pct = self.ripple_pct * self.noise.next() as f32;
        for channel in Channel::ALL {
            if !self.fitted[channel.index()] {
                continue;
            }
            let mut gaussian = self.noise.next() as f32;
            let transmitter = &mut self.transmitters[channel.index()];
            if channel == Channel::FloatPosition && is_rippling {
                // The ripple is seen on top of the noise: as so many of its deviations.
                let of_span = ripple_pct * 100.0 / transmitter.span.width();
                gaussian += of_span / transmitter.noise_pct_span.max(1e-3);
            }
            let failure = active(&self.faults, channel, now_s);
            self.currents[channel.index()] = transmitter.current(failure, dt, gaussian);
        }
    }

    /// The codes that a converter gives for the currents now.
    pub(crate) fn codes(&self) -> Channels<i16> {
        Channels(
            self.currents
                .map(|current| current.map_or(MISSING_CODE, |current| self.front_end.code_from_current(current))),
        )
    }
}

fn active(faults: &[SensorFault], channel: Channel, now_s: f64) -> Option<airvalve_sensors::FailureMode> {
    let hits = |fault: &&SensorFault| {
        let is_its_own = fault.channel == channel;
        // The extremes are held from the chamber's transmitter and fail with it.
        let is_held =
            matches!(channel, Channel::PressureMin | Channel::PressureMax) && fault.channel == Channel::ChamberPressure;
        (is_its_own || is_held) && now_s >= fault.onset_s && fault.until_s.is_none_or(|until_s| now_s < until_s)
    };
    faults.iter().find(hits).map(|fault| fault.mode)
}
