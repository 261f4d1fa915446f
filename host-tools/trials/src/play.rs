//! Plays one case in memory: the simulated plant, the device's own driver, the detector; no recording is written.

use airvalve_monitor::{AlarmChange, Changes, Event, Fault, Monitor, Settings};
use airvalve_sensors::Channel;
use airvalve_simulator::{ScenarioError, Truth};
use airvalve_site::Site;
use serde::{Deserialize, Serialize};

use crate::{
    case::{Ailing, Case, CaseError},
    model::{Plant, TrueState},
    truth::{Shown, Watch},
};

/// One alarm that was raised; times in s after the start, on the plant's clock.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Raised {
    /// Name of the fault.
    pub fault: String,
    /// Column of the channel, for a sensor fault.
    pub channel: Option<String>,
    /// When it was raised.
    pub raised_s: f64,
    /// When it was cleared; none while it stands at the end.
    pub cleared_s: Option<f64>,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// Other faults that the same picture allows.
    pub also_possible: Vec<String>,
}

/// What came of a case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Name of the case.
    pub case: String,
    /// Length, s.
    pub length_s: f64,
    /// When the fault began.
    pub onset_s: Option<f64>,
    /// When it could be known and until when it had to be found; none where it did not show itself in time.
    pub shown: Option<Shown>,
    /// Column of the channel of a sensor fault.
    pub channel: Option<String>,
    /// A sensor that ails on fault-free time.
    pub ailing: Option<Ailing>,
    /// Whether odour could be measured at all.
    pub has_odour: bool,
    /// Every alarm, in the order in which they were raised.
    pub alarms: Vec<Raised>,
    /// What sort of case it is.
    pub traits: Vec<String>,
}

/// A case with all that really happened.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Played {
    /// What the detector made of it.
    pub outcome: Outcome,
    /// What really happened.
    pub truth: Truth,
}

/// Plays a case on its model with the detector on these settings.
///
/// # Errors
/// [`CaseError`] when the simulator refuses what the generator has made.
pub fn play(case: &Case, settings: &Settings) -> Result<Played, CaseError> {
    let (site, mut plant) = open(case)?;
    let fitted = plant.fitted();
    let mut detector = site.detector(|channel| fitted.get(channel.index()).copied().unwrap_or(false));
    detector.sample_period_s = (1.0 / plant.sample_hz()) as f32;
    let mut monitor = Monitor::new(&detector, settings);
    let mut watch = Watch::new(case, plant.true_valve(), plant.sample_hz());
    let mut alarms = Alarms::default();
    let mut changes = Changes::new();
    while let Some(tick) = plant.next() {
        if tick.lost {
            continue;
        }
        if watch.is_needed() {
            watch.see(&plant.state());
        }
        changes.clear();
        let sample = plant.sample(&tick);
        monitor.step_codes_into(&sample, &mut changes);
        if tick.repeated {
            monitor.step_codes_into(&sample, &mut changes);
        }
        for change in &changes {
            if let Event::Alarm(change) = change {
                alarms.take(plant.now_s(), change);
            }
        }
    }
    let outcome = Outcome {
        case: case.id.to_string(),
        length_s: plant.now_s(),
        onset_s: case.onset_s,
        shown: watch.finish(),
        channel: case.channel.map(|channel| channel.column().to_owned()),
        ailing: case.ailing.clone(),
        has_odour: site.water.is_sewage,
        alarms: alarms.raised,
        traits: case.traits.clone(),
    };
    Ok(Played { outcome, truth: plant.finish() })
}

/// Lets a case run on its model without any detector, and says when its fault could be known; `look` sees the plant at every
/// sample.
///
/// # Errors
/// [`CaseError`] when the simulator refuses what the generator has made.
pub fn watch(case: &Case, mut look: impl FnMut(&TrueState)) -> Result<(Option<Shown>, Truth), CaseError> {
    let (_, mut plant) = open(case)?;
    let mut watch = Watch::new(case, plant.true_valve(), plant.sample_hz());
    while let Some(tick) = plant.next() {
        let state = plant.state();
        look(&state);
        if !tick.lost {
            watch.see(&state);
        }
    }
    Ok((watch.finish(), plant.finish()))
}

fn open(case: &Case) -> Result<(Site, Box<dyn Plant>), CaseError> {
    let (site, scenario) = case.read()?;
    let refused = |source: ScenarioError| CaseError::Scenario { case: case.id, source };
    let plant = case.id.model.plant(&scenario, &site, None).map_err(refused)?;
    Ok((site, plant))
}

/// Alarms as they come and go; one that stands already is no new one.
#[derive(Default)]
struct Alarms {
    raised: Vec<Raised>,
}

impl Alarms {
    fn take(&mut self, now_s: f64, change: &AlarmChange) {
        let (fault, channel) = (change.fault.name(), change.channel.map(Channel::column));
        let standing = self.raised.iter_mut().rev().find(|raised| {
            raised.cleared_s.is_none()
                && raised.channel.as_deref() == channel
                && (raised.fault == fault || channel.is_some())
        });
        match (standing, change.is_active) {
            (Some(standing), false) => standing.cleared_s = Some(now_s),
            (None, true) => self.raised.push(Raised {
                fault: fault.to_owned(),
                channel: channel.map(str::to_owned),
                raised_s: now_s,
                cleared_s: None,
                confidence: f64::from(change.confidence),
                also_possible: names(change.also_possible),
            }),
            _ => {}
        }
    }
}

fn names(bits: u32) -> Vec<String> {
    let all = Fault::VALVE.into_iter().chain(Fault::SENSOR);
    all.filter(|fault| bits & fault.bit() != 0).map(|fault| fault.name().to_owned()).collect()
}
