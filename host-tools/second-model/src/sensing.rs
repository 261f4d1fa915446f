//! The channels that are fitted, each with its transmitter and what ails it.

use airvalve_sensors::{CHANNELS, Channel, Channels, MISSING_CODE};
use airvalve_simulator::{
    ScenarioError,
    scenario::{Scenario, SensorFault},
};
use airvalve_site::Site;

use crate::{
    failing::Failing,
    transmitter::{Transmitter, Type},
};

/// True quantities of a sample, in the channels' units.
pub(crate) type Quantities = [f64; CHANNELS];

/// One channel.
#[derive(Clone, Debug)]
struct Fitted {
    channel: Channel,
    transmitter: Transmitter,
    /// The scenario's failures of it, in its order.
    failures: Vec<(SensorFault, Failing)>,
}

/// All channels.
#[derive(Clone, Debug)]
pub(crate) struct Sensing {
    fitted: Vec<Fitted>,
    /// Temperature at which the zeros were set, degC.
    set_at_c: f64,
    pub(crate) codes: Channels<i16>,
}

/// Play of the float's position transmitter, each way, % of span.
const FLOAT_PLAY_PCT: f64 = 0.1;

impl Sensing {
    pub(crate) fn new(
        scenario: &Scenario,
        site: &Site,
        zero_pct_span: [f64; 5],
        first: &Quantities,
        period_s: f64,
        seed: u64,
    ) -> Result<Sensing, ScenarioError> {
        for fault in &scenario.sensor_faults {
            if !scenario.channels.contains(&fault.channel) {
                let rule = "the channel is not fitted (`channels`)";
                return Err(fault.place.contradiction(fault.channel.column().to_owned(), rule));
            }
        }
        let [float, pressure, odour, line, temperature] = zero_pct_span;
        let fit = |channel: Channel| {
            let spec = site.sensors.channels.get(channel);
            let is_extreme = source_of(channel) != channel;
            let zero_pct = match channel {
                Channel::FloatPosition => float,
                Channel::Odour => odour,
                Channel::LinePressure => line,
                Channel::AirTemperature => temperature,
                _ => pressure,
            };
            let kind = Type {
                low: f64::from(spec.span.low),
                width: f64::from(spec.span.width()),
                // The extremes are taken fast, inside the device.
                lag_s: if is_extreme { 0.0 } else { spec.lag_s },
                noise_pct: scenario.noise_pct_span,
                zero_pct,
                play_pct: if channel == Channel::FloatPosition { FLOAT_PLAY_PCT } else { 0.0 },
            };
            let id = channel.index() as u64;
            let failures = scenario
                .sensor_faults
                .iter()
                .enumerate()
                .filter(|(_, fault)| fault.channel == channel || fault.channel == source_of(channel))
                .map(|(i, fault)| (fault.clone(), Failing::new(fault.mode, fault.onset_s, seed, 100 + i as u64)))
                .collect();
            let quantity = first.get(channel.index()).copied().unwrap_or(0.0);
            Fitted { channel, transmitter: Transmitter::new(kind, period_s, quantity, seed, 20 + id), failures }
        };
        let mut channels = scenario.channels.clone();
        channels.sort_by_key(|channel| channel.index());
        let fitted = channels.into_iter().map(fit).collect();
        let set_at_c = site.water.temperature_c;
        Ok(Sensing { fitted, set_at_c, codes: Channels([MISSING_CODE; CHANNELS]) })
    }

    /// Which channels are fitted, by their ids.
    pub(crate) fn fitted(&self) -> [bool; CHANNELS] {
        let mut fitted = [false; CHANNELS];
        for channel in &self.fitted {
            if let Some(place) = fitted.get_mut(channel.channel.index()) {
                *place = true;
            }
        }
        fitted
    }

    /// How far the zero of a transmitter that drifts has gone, either way, % of span.
    pub(crate) fn drifted_pct(&self, now_s: f64) -> f64 {
        let failing = self.active(now_s).map(|(_, failing)| failing.drifted_pct(now_s).abs());
        failing.fold(0.0, f64::max)
    }

    /// What the odour cell still answers of what is there, 0 to 1.
    pub(crate) fn cell_gain(&self, now_s: f64) -> f64 {
        let cell = self.active(now_s).filter(|(channel, _)| *channel == Channel::Odour);
        cell.fold(1.0, |least, (_, failing)| failing.gain(now_s).min(least))
    }

    fn active(&self, now_s: f64) -> impl Iterator<Item = (Channel, &Failing)> {
        self.fitted.iter().flat_map(move |fitted| {
            let active = fitted.failures.iter().filter(move |(fault, _)| is_active(fault, now_s));
            active.map(|(_, failing)| (fitted.channel, failing))
        })
    }

    /// Takes a sample.
    pub(crate) fn sample(&mut self, quantities: &Quantities, air_c: f64, now_s: f64) {
        let warmer_k = air_c - self.set_at_c;
        for fitted in &mut self.fitted {
            let quantity = quantities.get(fitted.channel.index()).copied().unwrap_or(0.0);
            let active = fitted.failures.iter_mut().rev().find(|(fault, _)| is_active(fault, now_s));
            let failing = active.map(|(_, failing)| failing);
            self.codes.set(fitted.channel, fitted.transmitter.code(quantity, now_s, warmer_k, failing));
        }
    }
}

fn is_active(fault: &SensorFault, now_s: f64) -> bool {
    now_s >= fault.onset_s && fault.until_s.is_none_or(|until_s| now_s < until_s)
}

/// The channel whose transmitter a channel reads.
fn source_of(channel: Channel) -> Channel {
    match channel {
        Channel::PressureMin | Channel::PressureMax => Channel::ChamberPressure,
        own => own,
    }
}
