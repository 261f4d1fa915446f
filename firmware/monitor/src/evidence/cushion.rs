//! The air cushion between releases: what arrives, net of what leaks, and how far a float that sticks stands off.

use super::{Context, SEATED_PCT, unmoved::Unmoved};
use crate::{airflow::normal_litres, frame::Frame, learned::Learned, state::ValveState};

/// After a release the liquid swings and the gas warms up again for this long, s.
const AFTER_RELEASE_S: f32 = 20.0;
/// After a pressure step the gas takes this long to come back to the temperature of the wall, s.
const AFTER_STEP_S: f32 = 60.0;
/// A stretch shorter than this says nothing, s.
const LEAST_STRETCH_S: f32 = 40.0;
/// A longer one is taken in parts of this length, s.
const MOST_STRETCH_S: f32 = 600.0;
/// A float rests several times between two releases.
const STICKS: f32 = 3.0;
/// A usual rest, s; no rest weighs less or more than this many of them.
const STICK_S: f32 = 60.0;
const LEAST_STICK: f32 = 0.3;
const MOST_STICK: f32 = 5.0;
/// No grease holds it further than this, % of stroke.
const MOST_STICK_PCT: f32 = 12.0;
/// A content that stays lower for this long has fallen, s.
const UNSEEN_S: f32 = 4.0;
/// Time constant of the content whose slope is taken, s.
const CONTENT_S: f32 = 4.0;

#[derive(Clone, Debug)]
pub(super) struct Cushion {
    /// Air arriving while sealed, net of leaks, NL/s, from the last sealed stretch.
    pub(super) arrival_nl_s: f32,
    /// Time since the last cycle, s.
    pub(super) since_cycle_s: f32,
    content_nl: f32,
    float_pct: f32,
    /// Where the float stood when the content fell without a release being watched, %.
    pub(super) unseen_release_pct: Option<f32>,
    fallen_s: f32,
    since_release_s: f32,
    stretch: Option<Stretch>,
    pub(super) unmoved: Unmoved,
}

/// Sealed and calm time in one state of the pump.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    is_pumping: bool,
    elapsed_s: f32,
    from_nl: f32,
}

impl Default for Cushion {
    fn default() -> Self {
        Cushion {
            arrival_nl_s: 0.0,
            since_cycle_s: 0.0,
            content_nl: f32::NAN,
            float_pct: 0.0,
            unseen_release_pct: None,
            fallen_s: 0.0,
            since_release_s: 0.0,
            stretch: None,
            unmoved: Unmoved::default(),
        }
    }
}

impl Cushion {
    pub(super) fn after_gap(&mut self) {
        self.stretch = None;
        self.unmoved.after_gap();
        self.content_nl = f32::NAN;
        self.since_release_s = 0.0;
    }

    /// A release cycle has ended.
    pub(super) fn cycle(&mut self) {
        self.since_cycle_s = 0.0;
    }

    pub(super) fn frame(&mut self, frame: &Frame, learned: &mut Learned, context: &Context) {
        let is_pumping = frame.is_pumping();
        self.since_cycle_s += frame.length_s;
        self.follow_content(frame, context);
        if let Some([off_pct, for_s]) = self.unmoved.frame(frame, is_pumping, learned, context) {
            let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
            // The longer a float stands off the more it says.
            let weight = (for_s / STICK_S).clamp(LEAST_STICK, MOST_STICK);
            learned.stick_pct.add_weighted(off_pct.min(MOST_STICK_PCT), weight, STICKS * many, STICKS * few);
        }
        let is_sealed = frame.state == ValveState::Sealed;
        self.since_release_s = if is_sealed { self.since_release_s + frame.length_s } else { 0.0 };
        let is_calm = is_sealed && context.since_step_s > AFTER_STEP_S;
        // At its seat the float does not show how much air there is.
        if !is_calm || self.since_release_s < AFTER_RELEASE_S || frame.float_pct >= SEATED_PCT {
            self.end_stretch(learned, context);
            return;
        }
        self.stretch(frame.length_s, is_pumping, learned, context);
    }

    fn follow_content(&mut self, frame: &Frame, context: &Context) {
        let site = context.site;
        let space_l = site.air_space_l(frame.float_pct);
        let content_nl = normal_litres(frame.pressure_kpa + site.p_atm_kpa, space_l, context.temperature_k);
        if self.content_nl.is_nan() || frame.state != ValveState::Sealed {
            self.content_nl = content_nl;
            self.float_pct = frame.float_pct;
        }
        self.watch_for_unseen_release(content_nl, frame, context);
        if self.fallen_s > 0.0 {
            return;
        }
        self.float_pct = frame.float_pct;
        self.content_nl += (content_nl - self.content_nl) * (frame.length_s / CONTENT_S).min(1.0);
    }

    /// A reading that has drifted upwards hides the opening position: then only the content tells of a release.
    fn watch_for_unseen_release(&mut self, content_nl: f32, frame: &Frame, context: &Context) {
        let site = context.site;
        let travel = 0.01 * (site.small.closes_above_pct - site.small.opens_below_pct).max(1.0);
        let pressure_kpa_abs = frame.pressure_kpa + site.p_atm_kpa;
        let promised_nl = normal_litres(pressure_kpa_abs, travel * site.stroke_volume_l, context.temperature_k);
        let has_fallen = self.content_nl - content_nl > 0.5 * promised_nl
            && frame.float_pct > self.float_pct + 0.3 * 100.0 * travel
            && context.since_step_s > AFTER_STEP_S;
        self.fallen_s = if has_fallen { self.fallen_s + frame.length_s } else { 0.0 };
        if self.fallen_s > UNSEEN_S {
            self.unseen_release_pct = Some(self.float_pct);
            self.fallen_s = 0.0;
            self.content_nl = content_nl;
        }
    }

    fn stretch(&mut self, length_s: f32, is_pumping: bool, learned: &mut Learned, context: &Context) {
        if self.stretch.is_some_and(|stretch| stretch.is_pumping != is_pumping || stretch.elapsed_s > MOST_STRETCH_S) {
            self.end_stretch(learned, context);
        }
        let Some(stretch) = &mut self.stretch else {
            self.stretch = Some(Stretch { is_pumping, elapsed_s: 0.0, from_nl: self.content_nl });
            return;
        };
        stretch.elapsed_s += length_s;
        if stretch.elapsed_s > LEAST_STRETCH_S {
            self.arrival_nl_s = (self.content_nl - stretch.from_nl) / stretch.elapsed_s;
        }
    }

    fn end_stretch(&mut self, learned: &mut Learned, context: &Context) {
        let Some(stretch) = self.stretch.take() else { return };
        if stretch.elapsed_s <= LEAST_STRETCH_S {
            return;
        }
        let (many, few) = (60.0 * context.settings.arrival_baseline_h, 60.0 * context.settings.arrival_recent_h);
        let arrival =
            if stretch.is_pumping { &mut learned.arrival_running_nl_s } else { &mut learned.arrival_stopped_nl_s };
        arrival.add_weighted(self.arrival_nl_s, stretch.elapsed_s / 60.0, many, few);
    }
}
