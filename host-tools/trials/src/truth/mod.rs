//! When the evidence of a fault is complete, and until when it must be found: written rules on the true valve.
//!
//! Duty: look at what the simulated plant really does, as far as samples of it reach the device, and say from when on an
//! engineer who sees these channels could know. It never calls the detector. Allowed time is counted in time with
//! samples: a gap, or the pause between two bursts, is not held against the detector.
//!
//! Glossary: *rule*, what must have been there to see for one fault; *claim*, evidence that is complete, with the time
//! that is allowed from there on. Of several claims the one that runs out first holds.

mod fouling;
mod sensors;
mod stuck;
#[cfg(test)]
mod tests;

use airvalve_monitor::Fault;
use airvalve_simulator::truth::TrueValveTruth;
use serde::{Deserialize, Serialize};

use crate::{
    case::{Case, Subject},
    model::TrueState,
    valve::Valve,
};

pub(crate) const MINUTE_S: f64 = 60.0;
pub(crate) const HOUR_S: f64 = 3600.0;
/// Under pressure: chamber above this share of static. The share of the finding `trapped-air`.
const PRESSURISED: f64 = 0.3;
/// A pressure step that tests the float, of the absolute pressure.
const STEP_SHARE: f64 = 0.08;
/// A step is judged so long after the pump has switched, s.
const STEP_S: f64 = 25.0;

/// When a fault can be known, and until when it is found in time, s after the start.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shown {
    /// The evidence is complete.
    pub complete_s: f64,
    /// The time that is allowed has run out.
    pub deadline_s: f64,
}

/// The plant at a sample that reaches the device, and what has led to it.
struct Moment<'a> {
    now: &'a TrueState,
    /// Time with samples since the sample before, and in all, s.
    dt: f64,
    seen_s: f64,
    /// Steps of the line's pressure so far that test a float.
    steps: u32,
    begins_release: bool,
    before: &'a Before,
}

/// The valve before its fault.
#[derive(Clone, Copy, Debug, Default)]
struct Before {
    releases: u32,
    pressurised_s: f64,
    highest_odour_ppm: f64,
}

impl Before {
    /// Mean time under pressure between releases, s.
    fn mean_interval_s(&self) -> Option<f64> {
        (self.releases > 0).then(|| self.pressurised_s / f64::from(self.releases))
    }
}

/// What a rule knows of its case.
struct Sheet<'a> {
    valve: &'a Valve,
    /// What the site has; worked out once.
    p_atm_kpa: f64,
    truth: TrueValveTruth,
    onset_s: f64,
    arrival_nl_s: f64,
}

impl Sheet<'_> {
    fn is_pressurised(&self, now: &TrueState) -> bool {
        now.chamber_kpa > PRESSURISED * self.valve.static_kpa
    }

    /// What the zero of the chamber's transmitter may be off, kPa: 1 % of a span from -100 to 1.6 times allowable.
    fn zero_tolerance_kpa(&self) -> f64 {
        0.01 * (100.0 + 1.6 * self.valve.allowable_kpa)
    }
}

/// One fault's rule; it is asked at every sample from the onset on.
trait Rule {
    fn see(&mut self, moment: &Moment<'_>, sheet: &Sheet<'_>, claims: &mut Claims);

    /// For what must be known of the time before the onset.
    fn see_before(&mut self, _: &Moment<'_>, _: &Sheet<'_>) {}
}

fn rule_of(fault: Fault, case: &Case) -> Box<dyn Rule> {
    match fault {
        Fault::JammedLow => Box::new(stuck::JammedLow::default()),
        Fault::SmallBlocked => Box::new(stuck::SmallBlocked::default()),
        Fault::JammedUp => Box::new(stuck::JammedUp::default()),
        Fault::SmallSeatOpen => Box::new(stuck::SmallSeatOpen::default()),
        Fault::LargeSeatOpen => Box::new(stuck::LargeSeatOpen::default()),
        Fault::LargeShut => Box::new(stuck::LargeShut::default()),
        Fault::Clogging => Box::new(fouling::Clogging::default()),
        Fault::Sluggish => Box::new(fouling::Sluggish),
        Fault::Heavy => Box::new(fouling::Heavy),
        Fault::Weeping => Box::new(fouling::Weeping::default()),
        _ => sensors::rule_of(fault, case.channel),
    }
}

#[derive(Clone, Copy, Debug)]
struct Claim {
    complete_s: f64,
    runs_out_seen_s: f64,
    deadline_s: Option<f64>,
}

/// Evidence that has become complete.
#[derive(Default)]
struct Claims {
    all: Vec<Claim>,
}

impl Claims {
    /// Evidence is complete now; the first time counts.
    fn once(&mut self, moment: &Moment<'_>, allowed_s: f64) {
        if self.all.is_empty() {
            self.another(moment.now.now_s, moment, allowed_s);
        }
    }

    /// Evidence of another sort is complete since `complete_s`.
    fn another(&mut self, complete_s: f64, moment: &Moment<'_>, allowed_s: f64) {
        let runs_out_seen_s = moment.seen_s + allowed_s;
        self.all.push(Claim { complete_s, runs_out_seen_s, deadline_s: None });
    }

    fn run_out(&mut self, now_s: f64, seen_s: f64) {
        let running = self.all.iter_mut().filter(|claim| claim.deadline_s.is_none());
        for claim in running.filter(|claim| seen_s >= claim.runs_out_seen_s) {
            claim.deadline_s = Some(now_s);
        }
    }

    fn shown(&self) -> Option<Shown> {
        let ended = self
            .all
            .iter()
            .filter_map(|claim| claim.deadline_s.map(|deadline_s| Shown { complete_s: claim.complete_s, deadline_s }));
        ended.min_by(|a, b| a.deadline_s.total_cmp(&b.deadline_s))
    }
}

/// Watches the true plant of one case.
pub(crate) struct Watch<'a> {
    sheet: Sheet<'a>,
    rule: Option<Box<dyn Rule>>,
    claims: Claims,
    before: Before,
    seen_s: f64,
    last_s: f64,
    longest_step_s: f64,
    was_releasing: bool,
    steps: Steps,
}

impl<'a> Watch<'a> {
    pub(crate) fn new(case: &'a Case, truth: TrueValveTruth, sample_hz: f64) -> Watch<'a> {
        let onset_s = case.onset_s.unwrap_or(f64::INFINITY);
        Watch {
            sheet: Sheet {
                valve: &case.valve,
                p_atm_kpa: case.valve.p_atm_kpa(),
                truth,
                onset_s,
                arrival_nl_s: case.arrival_nl_s,
            },
            rule: match case.id.subject {
                Subject::Fault(fault) => Some(rule_of(fault, case)),
                Subject::FaultFree => None,
            },
            claims: Claims::default(),
            before: Before::default(),
            seen_s: 0.0,
            last_s: 0.0,
            longest_step_s: (3.0 / sample_hz).max(1.0),
            was_releasing: false,
            steps: Steps::default(),
        }
    }

    /// Whether there is anything to watch for; on fault-free time there is not.
    pub(crate) fn is_needed(&self) -> bool {
        self.rule.is_some()
    }

    /// Takes the plant at a sample that reaches the device.
    pub(crate) fn see(&mut self, now: &TrueState) {
        let Some(rule) = &mut self.rule else { return };
        let step_s = now.now_s - self.last_s;
        self.last_s = now.now_s;
        let dt = if step_s <= self.longest_step_s { step_s } else { 0.0 };
        self.seen_s += dt;
        self.steps.see(now, self.sheet.p_atm_kpa);
        let begins_release = now.is_releasing && !self.was_releasing;
        self.was_releasing = now.is_releasing;
        let is_before = now.now_s < self.sheet.onset_s;
        if is_before {
            self.before.releases += u32::from(begins_release);
            self.before.pressurised_s += if self.sheet.is_pressurised(now) { dt } else { 0.0 };
            self.before.highest_odour_ppm = self.before.highest_odour_ppm.max(now.odour_ppm);
        }
        let (seen_s, steps, before) = (self.seen_s, self.steps.count, &self.before);
        let moment = Moment { now, dt, seen_s, steps, begins_release, before };
        if is_before {
            rule.see_before(&moment, &self.sheet);
        } else {
            rule.see(&moment, &self.sheet, &mut self.claims);
            self.claims.run_out(now.now_s, self.seen_s);
        }
    }

    /// What held of it all; `None` when the evidence did not become complete, or its time had not run out at the end.
    pub(crate) fn finish(&self) -> Option<Shown> {
        self.claims.shown()
    }
}

/// Counts steps of the main's pressure that test a float.
#[derive(Default)]
struct Steps {
    count: u32,
    was_pumping: Option<bool>,
    before_kpa: f64,
    judged_s: Option<f64>,
}

impl Steps {
    fn see(&mut self, now: &TrueState, p_atm_kpa: f64) {
        let has_switched = self.was_pumping.is_some_and(|was| was != now.is_pumping);
        self.was_pumping = Some(now.is_pumping);
        if has_switched && self.judged_s.is_none() {
            self.judged_s = Some(now.now_s + STEP_S);
        }
        match self.judged_s {
            Some(judged_s) if now.now_s >= judged_s => {
                self.judged_s = None;
                let least_kpa = STEP_SHARE * (self.before_kpa + p_atm_kpa);
                self.count += u32::from((now.main_kpa - self.before_kpa).abs() >= least_kpa);
            }
            Some(_) => {}
            None => self.before_kpa = now.main_kpa,
        }
    }
}
