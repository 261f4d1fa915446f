//! Vacuum: a float that stays up in it is jammed; one that is down must let the air in.

use super::{Context, SEATED_PCT};
use crate::{
    airflow::{Orifice, normal_litres},
    frame::Frame,
    learned::Learned,
    settings::EvidenceSettings,
    site::SiteData,
    state::ValveState,
};

/// A vacuum shallower than this is no sign of a shut orifice, whatever its size: gusts and the zero, kPa.
const SHALLOWEST_SHUT_KPA: f32 = 5.6;
/// How far beyond the expected depth the vacuum must be: inflow coefficients are known to some ten per cent.
const SHUT_MARGIN: f32 = 1.35;
/// How long a vacuum must stand, s.
const HELD_S: f32 = 10.0;
/// No more of it is remembered than this, s: what is over must not stand for days.
const MOST_S: f32 = 3.0 * HELD_S;
/// Share of the time by which it is forgotten: a float is soon seen to move, an orifice opens at the next drain only.
const FORGOTTEN_UP: f32 = 0.02;
const FORGOTTEN_SHUT: f32 = 0.002;
/// How long it must stand where the cushion cannot say what a free float would do, s.
const UNTESTED_S: f32 = 120.0;
/// Time constant of the cushion under pressure, s.
const BEFORE_S: f32 = 60.0;
/// The least by which gas expands as its pressure falls, as a power of the pressures: adiabatic (1 / 1.4).
const EXPANSION: f32 = 0.714;
/// Movement by expansion that tests the float, % of stroke.
const LEAST_EXPANSION_PCT: f32 = 4.0;
/// A float that has made less of it than this is held, one that has made more than the second is free.
const HELD_SHARE: f32 = 0.4;
const FREE_SHARE: f32 = 0.6;
/// A float above this position is up in a vacuum, % of stroke.
const UP_PCT: f32 = 50.0;

/// Time constant of the pressure whose course in an empty body is followed, s.
const COURSE_S: f32 = 10.0;
/// So many of them until one noisy reading at the beginning no longer matters.
const SETTLED_COURSES: f32 = 3.0;

#[derive(Clone, Debug)]
pub(super) struct Vacuum {
    shut_s: f32,
    up_s: f32,
    /// The cushion as it was under pressure; `None` before that.
    before: Option<Pressed>,
    /// Course of the pressure's reading since the float is down, kPa; NaN while it is up.
    course_kpa: f32,
    lowest_kpa: f32,
    down_s: f32,
}

/// A cushion under pressure.
#[derive(Clone, Copy, Debug)]
struct Pressed {
    float_pct: f32,
    kpa_abs: f32,
}

impl Default for Vacuum {
    fn default() -> Self {
        Vacuum { shut_s: 0.0, up_s: 0.0, before: None, course_kpa: f32::NAN, lowest_kpa: 0.0, down_s: 0.0 }
    }
}

impl Vacuum {
    /// Evidence that the large orifice does not open.
    pub(super) fn held_shut(&self) -> f32 {
        self.shut_s / HELD_S
    }

    /// Evidence that the float is jammed up.
    pub(super) fn held_up(&self) -> f32 {
        self.up_s / HELD_S
    }

    /// Air has left: the cushion is another one.
    pub(super) fn cycle(&mut self) {
        self.before = None;
    }

    pub(super) fn frame(&mut self, frame: &Frame, learned: &Learned, context: &Context) {
        let (site, settings) = (context.site, context.settings);
        let depth_kpa = -frame.pressure_kpa;
        let unsure_kpa = 3.0 * learned.zero_uncertainty_kpa;
        let is_down = frame.float_pct < site.large_opens_below_pct;
        let reading_kpa = frame.pressure_kpa + learned.zero_kpa;
        let risen_kpa = self.risen_kpa(frame, reading_kpa, is_down, context);
        // Without its noise; below the zero's uncertainty the depth itself says nothing.
        let steady_kpa = learned.zero_kpa - self.course_kpa;
        let known_kpa = if steady_kpa > unsure_kpa { steady_kpa } else { 0.0 };
        let deepest_kpa = known_kpa.max(risen_kpa);
        // The expected depth takes powers to find: only when the vacuum is deep enough to matter.
        let is_shut = is_down
            && deepest_kpa > SHUT_MARGIN * SHALLOWEST_SHUT_KPA
            && deepest_kpa > deepest_expected_kpa(site, settings, context.temperature_k);
        count(&mut self.shut_s, if is_shut { frame.length_s } else { 0.0 }, FORGOTTEN_SHUT * frame.length_s);
        let is_vacuum = depth_kpa > (2.0 * settings.vacuum_kpa).max(unsure_kpa);
        self.float_in_vacuum(frame, is_vacuum, site);
    }

    /// A free float goes down with the liquid as the cushion expands, although no air comes in.
    fn float_in_vacuum(&mut self, frame: &Frame, is_vacuum: bool, site: &SiteData) {
        let kpa_abs = frame.pressure_kpa + site.p_atm_kpa;
        if frame.pressure_kpa > site.reopen_kpa && frame.state == ValveState::Sealed {
            let share = (frame.length_s / BEFORE_S).min(1.0);
            let before = self.before.get_or_insert(Pressed { float_pct: frame.float_pct, kpa_abs });
            before.float_pct += (frame.float_pct - before.float_pct) * share;
            before.kpa_abs += (kpa_abs - before.kpa_abs) * share;
        }
        if frame.float_pct <= site.large_closes_above_pct.max(UP_PCT) {
            self.up_s = 0.0;
            return;
        }
        if !is_vacuum {
            count(&mut self.up_s, 0.0, FORGOTTEN_UP * frame.length_s);
            return;
        }
        // Powers, only where they are needed.
        let held_s = match self.before.and_then(|before| before.moved_share(frame.float_pct, kpa_abs, site)) {
            None => frame.length_s * (HELD_S / UNTESTED_S),
            Some(moved) if moved < HELD_SHARE => frame.length_s,
            Some(moved) => {
                if moved > FREE_SHARE {
                    self.up_s = 0.0;
                }
                0.0
            }
        };
        count(&mut self.up_s, held_s, FORGOTTEN_UP * frame.length_s);
    }
}

impl Pressed {
    /// Share of the least movement that expansion asks for; `None` where that is too little to test a float, or where the
    /// float sat so high that the liquid may have stood above it.
    fn moved_share(self, float_pct: f32, kpa_abs: f32, site: &SiteData) -> Option<f32> {
        let ratio = self.kpa_abs / kpa_abs.max(1.0);
        let expansion = libm::powf(ratio, EXPANSION) - 1.0;
        let expected_pct = 100.0 * site.air_space_l(self.float_pct) * expansion / site.stroke_volume_l;
        let is_tested = expected_pct > LEAST_EXPANSION_PCT && self.float_pct < SEATED_PCT;
        is_tested.then(|| (self.float_pct - float_pct) / expected_pct.min(self.float_pct))
    }
}

impl Vacuum {
    /// How far the pressure has risen from its lowest while the float was down and no pump ran, kPa: with the orifice open
    /// the body stands at atmosphere all the time, whatever the zero of the transmitter.
    fn risen_kpa(&mut self, frame: &Frame, reading_kpa: f32, is_down: bool, context: &Context) -> f32 {
        if !is_down || frame.pressure_kpa > context.settings.pressurised_share * context.site.static_kpa {
            self.course_kpa = f32::NAN;
            self.down_s = 0.0;
            return 0.0;
        }
        self.down_s += frame.length_s;
        if self.course_kpa.is_nan() {
            self.course_kpa = reading_kpa;
        }
        self.course_kpa += (reading_kpa - self.course_kpa) * (frame.length_s / COURSE_S).min(1.0);
        if self.down_s < SETTLED_COURSES * COURSE_S {
            self.lowest_kpa = self.course_kpa;
            return 0.0;
        }
        self.lowest_kpa = self.lowest_kpa.min(self.course_kpa);
        if frame.pump == Some(true) { 0.0 } else { self.course_kpa - self.lowest_kpa }
    }
}

/// Counts time in a state up at once, and down by what is forgotten.
fn count(seconds: &mut f32, there_s: f32, forgotten_s: f32) {
    *seconds = if there_s > 0.0 { (*seconds + there_s).min(MOST_S) } else { (*seconds - forgotten_s).max(0.0) };
}

/// Vacuum that a healthy large orifice holds while the main drains at several times its pumped flow, kPa.
fn deepest_expected_kpa(site: &SiteData, settings: &EvidenceSettings, temperature_k: f32) -> f32 {
    let demand_nl_s = normal_litres(site.p_atm_kpa, settings.deepest_flow_factor * site.flow_l_s, temperature_k);
    let inflow =
        |depth_kpa: f32, orifice: Orifice| -orifice.normal_flow_nl_s(-depth_kpa, site.p_atm_kpa, temperature_k);
    let mut depth_kpa = SHALLOWEST_SHUT_KPA;
    // Coarse steps are enough: the flow grows with the root of the depth.
    while depth_kpa < 40.0 && inflow(depth_kpa, site.large_in) < demand_nl_s {
        depth_kpa *= 1.25;
    }
    SHUT_MARGIN * depth_kpa
}
