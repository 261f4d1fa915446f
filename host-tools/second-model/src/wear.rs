//! The scenario's faults of the valve, as mechanisms that run on.

use airvalve_simulator::scenario::{Fault, FaultKind};

use crate::{
    float::{Float, Guide},
    random::Random,
    valve::{LARGE, ORIFICES, SECOND, SMALL, Seat},
};

/// What the physics sees of all faults together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Condition {
    /// Share of each orifice's area that debris holds open.
    pub(crate) held_open: [f64; ORIFICES],
    /// Share of each orifice's area that is left.
    pub(crate) passable: [f64; ORIFICES],
    /// Share of each orifice's area that leaks when it is shut.
    pub(crate) leak: [f64; ORIFICES],
    pub(crate) guide: Guide,
    /// Share of riser and isolating valve that is free.
    pub(crate) riser_open: f64,
}

impl Condition {
    /// A valve without a fault, its guide with this static friction in strokes.
    pub(crate) fn clean(play: f64) -> Condition {
        Condition {
            held_open: [0.0; ORIFICES],
            passable: [1.0; ORIFICES],
            leak: [0.0; ORIFICES],
            guide: Guide { clean: play, grease: 0.0, heavy: 0.0 },
            riser_open: 1.0,
        }
    }
}

/// A fault that runs.
#[derive(Clone, Debug)]
struct Running {
    fault: Fault,
    /// It is there: a jam has caught the float, debris lies on the seat.
    has_taken_hold: bool,
    /// Of a jam: where in its window it catches; of a weeping seat: how it sits since it last shut.
    draw: f64,
    /// Of a clogging orifice: share of the growth that broke off again, and when the next piece goes, s.
    cleared: f64,
    next_clearing_s: f64,
    /// Share of area that a deposit leaves now.
    left: f64,
    points: Vec<(f64, f64)>,
}

/// All faults.
#[derive(Clone, Debug)]
pub(crate) struct Wear {
    random: Random,
    clean: Condition,
    running: Vec<Running>,
    pub(crate) condition: Condition,
}

/// Share of the deposit's growth that breaks off at a clearing, clearings over the time of growth, and how fast the
/// deposit is back, of the time of growth.
const CLEARED_SHARE: f64 = 0.3;
const CLEARINGS: f64 = 4.0;
const REGROWTH: f64 = 0.08;
/// Spread of a weeping seat from closure to closure: standard deviation of the logarithm.
const RESEATING_SIGMA: f64 = 0.6;
/// Grease's static friction of a severity of 1, strokes: the liquid goes so far before the float follows.
const GREASE_STROKES: f64 = 0.12;
/// How long the float rests before a jam at the top catches it, s.
const REST_BEFORE_JAM_S: f64 = 5.0;

impl Wear {
    pub(crate) fn new(faults: &[Fault], play: f64, seed: u64) -> Wear {
        let mut random = Random::new(seed, 6);
        let running = faults
            .iter()
            .filter(|fault| fault.severity > 0.0)
            .map(|fault| Running {
                has_taken_hold: false,
                draw: random.unit(),
                cleared: 0.0,
                next_clearing_s: fault.onset_s + random.exponential(fault.growth_s / CLEARINGS),
                left: 1.0,
                points: Vec::new(),
                fault: fault.clone(),
            })
            .collect();
        let clean = Condition::clean(play);
        Wear { random, clean, running, condition: clean }
    }

    /// One sample goes by.
    pub(crate) fn go_on(&mut self, now_s: f64, period_s: f64) {
        if self.running.is_empty() {
            return;
        }
        self.condition = self.clean;
        for running in &mut self.running {
            if running.fault.is_active(now_s) {
                running.act(now_s, period_s, &mut self.random, &mut self.condition);
            }
        }
    }

    /// An orifice has just shut: its seat lies anew, and debris may have come between.
    pub(crate) fn has_shut(&mut self, orifice: usize, now_s: f64) {
        for running in &mut self.running {
            if !running.fault.is_active(now_s) || running.orifice() != orifice {
                continue;
            }
            match running.fault.kind {
                FaultKind::SmallSeatOpen => running.take_hold(running.fault.severity_at(now_s)),
                FaultKind::Weeping => running.draw = self.random.log_normal(1.0, RESEATING_SIGMA),
                _ => {}
            }
        }
    }

    /// Lets a jam catch the float, or lets go of it; `is_open` tells whether the small orifice is.
    pub(crate) fn catch(&mut self, float: &mut Float, small: &Seat, is_open: bool, now_s: f64) {
        let mut jam = None;
        for running in &mut self.running {
            let kind = running.fault.kind;
            if !matches!(kind, FaultKind::JammedLow | FaultKind::JammedUp) || !running.fault.is_active(now_s) {
                continue;
            }
            if !running.has_taken_hold {
                let caught = match (running.fault.position, kind) {
                    (Some(_), _) => true,
                    (None, FaultKind::JammedLow) => is_open && running.low_window(small).contains(&float.position),
                    _ => !is_open && float.position >= small.closes_above && float.rest_s > REST_BEFORE_JAM_S,
                };
                if caught {
                    running.take_hold(running.fault.severity_at(now_s));
                    running.draw = running.fault.position.unwrap_or(float.position);
                }
            }
            if running.has_taken_hold {
                jam = Some(running.draw);
            }
        }
        float.jammed_at = jam;
    }

    /// Whether any fault can jam the float.
    pub(crate) fn can_jam(&self) -> bool {
        self.running.iter().any(|running| matches!(running.fault.kind, FaultKind::JammedLow | FaultKind::JammedUp))
    }

    /// The faults that took hold, each with its severities: when, s after the start, and how bad.
    pub(crate) fn truth(self, end_s: f64) -> Vec<(Fault, Vec<(f64, f64)>)> {
        let took_hold = self.running.into_iter().filter(|running| running.has_taken_hold);
        took_hold.map(|running| running.truth(end_s)).collect()
    }
}

impl Running {
    fn orifice(&self) -> usize {
        match self.fault.kind {
            FaultKind::LargeSeatOpen | FaultKind::LargeShut => LARGE,
            _ if self.fault.is_second_orifice => SECOND,
            _ => SMALL,
        }
    }

    /// Where the float must be for a jam below to catch it: a narrow band, somewhere in the lower part of the release.
    fn low_window(&self, small: &Seat) -> std::ops::RangeInclusive<f64> {
        const HALF_WIDTH: f64 = 0.01;
        let middle = small.opens_below - HALF_WIDTH + 0.25 * self.draw * (small.closes_above - small.opens_below);
        middle - HALF_WIDTH..=middle + HALF_WIDTH
    }

    fn take_hold(&mut self, severity: f64) {
        if !self.has_taken_hold {
            self.has_taken_hold = true;
            self.points.push((self.fault.onset_s, severity));
        }
    }

    /// Adds what the fault does now to the condition.
    fn act(&mut self, now_s: f64, period_s: f64, random: &mut Random, condition: &mut Condition) {
        let severity = self.fault.severity_at(now_s);
        let orifice = self.orifice();
        match self.fault.kind {
            // These wait for the float or the seat.
            FaultKind::JammedLow | FaultKind::JammedUp => return,
            FaultKind::SmallSeatOpen if !self.has_taken_hold => return,
            _ => {}
        }
        self.take_hold(severity);
        match self.fault.kind {
            FaultKind::SmallSeatOpen | FaultKind::LargeSeatOpen => condition.held_open[orifice] = severity,
            FaultKind::SmallBlocked | FaultKind::LargeShut => condition.passable[orifice] *= 1.0 - severity,
            FaultKind::Clogging => condition.passable[orifice] *= self.clog(now_s, period_s, random),
            // Half of the leak stays, half depends on how the seat came to lie.
            FaultKind::Weeping => condition.leak[orifice] = severity * (0.5 + 0.5 * self.draw),
            FaultKind::Sluggish => condition.guide.grease = GREASE_STROKES * severity,
            FaultKind::Heavy => condition.guide.heavy = severity,
            FaultKind::CutOff => condition.riser_open = 1.0 - severity,
            FaultKind::JammedLow | FaultKind::JammedUp => {}
        }
    }

    /// The deposit grows inwards evenly, now and then a piece breaks off and grows back; the share of area that is left.
    fn clog(&mut self, now_s: f64, period_s: f64, random: &mut Random) -> f64 {
        let growth_s = self.fault.growth_s;
        let grown = if growth_s > 0.0 { ((now_s - self.fault.onset_s) / growth_s).min(1.0) } else { 1.0 };
        let deepest = 1.0 - libm::sqrt(1.0 - self.fault.severity);
        let left = |cleared: f64| {
            let bore = 1.0 - deepest * grown * (1.0 - cleared);
            bore * bore
        };
        if growth_s > 0.0 {
            self.cleared /= 1.0 + period_s / (REGROWTH * growth_s);
            if now_s >= self.next_clearing_s {
                self.points.push((now_s, 1.0 - left(self.cleared)));
                self.cleared += CLEARED_SHARE * (1.0 - self.cleared);
                self.points.push((now_s, 1.0 - left(self.cleared)));
                self.next_clearing_s = now_s + random.exponential(growth_s / CLEARINGS);
            }
        }
        self.left = left(self.cleared);
        self.left
    }

    fn truth(mut self, end_s: f64) -> (Fault, Vec<(f64, f64)>) {
        let end_s = self.fault.until_s.unwrap_or(end_s).min(end_s);
        let fault = &self.fault;
        if fault.growth_s > 0.0 {
            if fault.kind == FaultKind::Clogging {
                self.points.push((end_s, 1.0 - self.left));
            } else {
                let grown_s = (fault.onset_s + fault.growth_s).min(end_s);
                self.points.push((grown_s, fault.severity * (grown_s - fault.onset_s) / fault.growth_s));
            }
        }
        (self.fault, self.points)
    }
}
