//! The main's own level: pressure at rest that changes faster than a transmitter drifts is the main's doing.

use airvalve_sensors::Channel;

use crate::{evidence::SEATED_PCT, frame::Frame, learned::Learned, site::SiteData};

/// What is usual is learned so long after a pressure step, s.
const CALM_S: f32 = 60.0;
/// A main is at rest when its pressure has changed by no more than this many accuracies since it was last looked at.
const AT_REST_ACCURACIES: f32 = 0.25;
/// Twenty minutes make a usual pressure, and five follow it.
const USUAL_MIN: f32 = 20.0;
const RECENT_MIN: f32 = 5.0;

/// Below this share of static the main is drained, not at another level.
const PRESSED_SHARE: f32 = 0.3;
/// So often the pressure at rest is kept, s, and so many times.
const KEPT_S: f32 = 60.0;
const KEPT: usize = 10;
/// What is kept is held against the present for so long, s.
const LOOK_BACK_S: f32 = 1800.0;
/// A change is sudden above this many accuracies, and that many an hour: a transmitter's zero walks more slowly.
const SUDDEN_ACCURACIES: f32 = 1.5;
const SUDDEN_ACCURACIES_H: f32 = 15.0;
/// Two pressures so near in time have nothing between them that the float has not seen, s.
const NEAR_S: f32 = 1.5 * KEPT_S;
/// Least movement of the float that can be asked for, % of stroke, and the share of it that is an answer.
const LEAST_EXPECTED_PCT: f32 = 4.0;
const ANSWERED_SHARE: f32 = 0.3;

/// Learns the usual pressures of a sealed valve from the frame that ends `since_s`.
fn learn_usual(frame: &Frame, since_s: f32, since_step_s: f32, learned: &mut Learned) {
    if since_step_s <= CALM_S
        || frame.pressure_kpa.is_nan()
        || frame.float_pct.is_nan()
        || frame.float_pct >= SEATED_PCT
    {
        return;
    }
    let usual = if frame.is_pumping() { &mut learned.running_kpa } else { &mut learned.stopped_kpa };
    let minutes = since_s / 60.0;
    usual.add_weighted(frame.pressure_kpa, minutes, USUAL_MIN, RECENT_MIN);
    learned.below_line_kpa.add_weighted(frame.line_kpa - frame.pressure_kpa, minutes, USUAL_MIN, RECENT_MIN);
}

#[derive(Clone, Copy, Debug)]
struct Rest {
    kpa: f32,
    float_pct: f32,
    age_s: f32,
}

impl Rest {
    const NONE: Rest = Rest { kpa: 0.0, float_pct: 0.0, age_s: f32::INFINITY };
}

/// Watches the pressure at rest.
#[derive(Clone, Debug)]
pub(crate) struct MainLevel {
    /// The newest first.
    kept: [Rest; KEPT],
    last_kpa: f32,
    /// Since a pump was last seen to run, s: its contact opens before the pressure falls.
    resting_s: f32,
}

impl Default for MainLevel {
    fn default() -> Self {
        MainLevel { kept: [Rest::NONE; KEPT], last_kpa: f32::NAN, resting_s: 0.0 }
    }
}

impl MainLevel {
    /// Takes a frame of a sealed valve, `since_s` after the one before and `since_step_s` after a pressure step.
    pub(crate) fn watch(
        &mut self,
        frame: &Frame,
        since_s: f32,
        since_step_s: f32,
        learned: &mut Learned,
        site: &SiteData,
    ) {
        learn_usual(frame, since_s, since_step_s, learned);
        self.kept.iter_mut().for_each(|rest| rest.age_s += since_s);
        let [newest, ..] = &self.kept;
        let accuracy_kpa = site.accuracy(Channel::ChamberPressure);
        let changed_kpa = libm::fabsf(frame.pressure_kpa - self.last_kpa);
        self.last_kpa = frame.pressure_kpa;
        self.resting_s = if frame.is_pumping() { 0.0 } else { self.resting_s + since_s };
        let is_pressed = frame.pressure_kpa > PRESSED_SHARE * site.static_kpa;
        let is_calm = since_step_s.min(self.resting_s) > CALM_S && changed_kpa < AT_REST_ACCURACIES * accuracy_kpa;
        let is_at_rest = is_calm && is_pressed;
        if !is_at_rest || newest.age_s < KEPT_S || frame.pressure_kpa.is_nan() || frame.float_pct.is_nan() {
            return;
        }
        let now = Rest { kpa: frame.pressure_kpa, float_pct: frame.float_pct, age_s: 0.0 };
        let before = self.kept.iter().find(|rest| is_sudden(rest, &now, accuracy_kpa)).copied();
        if let Some(before) = before {
            self.kept = [Rest::NONE; KEPT];
            follow(learned, &before, &now, answer(&before, &now, site));
        }
        let stopped = &mut learned.stopped_kpa;
        if learned.shifted_kpa != 0.0 && libm::fabsf(now.kpa - stopped.mean) < SUDDEN_ACCURACIES * accuracy_kpa {
            // Back at the usual level, whatever was seen of the way there.
            learned.shifted_kpa = 0.0;
            stopped.recent = now.kpa;
        }
        self.kept.rotate_right(1);
        if let Some(newest) = self.kept.first_mut() {
            *newest = now;
        }
    }
}

fn is_sudden(before: &Rest, now: &Rest, accuracy_kpa: f32) -> bool {
    let limit = SUDDEN_ACCURACIES + SUDDEN_ACCURACIES_H / 3600.0 * before.age_s;
    before.age_s <= LOOK_BACK_S && libm::fabsf(now.kpa - before.kpa) > limit * accuracy_kpa
}

/// Movement of the float, share of what the cushion's content asks for; `None` where it was not free to move, or where too
/// much has happened between.
fn answer(before: &Rest, now: &Rest, site: &SiteData) -> Option<f32> {
    let kpa_abs = |rest: &Rest| (rest.kpa + site.p_atm_kpa).max(1.0);
    let strokes = site.air_space_l(before.float_pct) / site.stroke_volume_l;
    let expected_pct = 100.0 * strokes * (1.0 - kpa_abs(before) / kpa_abs(now));
    let is_free = before.float_pct.max(before.float_pct + expected_pct) < SEATED_PCT;
    let is_told = before.age_s <= NEAR_S && is_free && libm::fabsf(expected_pct) > LEAST_EXPECTED_PCT;
    is_told.then_some((now.float_pct - before.float_pct) / expected_pct)
}

fn follow(learned: &mut Learned, before: &Rest, now: &Rest, answer: Option<f32>) {
    // Else the reading has jumped, or the float is held.
    if !answer.is_some_and(|share| libm::fabsf(share) < ANSWERED_SHARE) {
        learned.shifted_kpa += now.kpa - before.kpa;
        learned.stopped_kpa.recent = now.kpa;
    }
}
