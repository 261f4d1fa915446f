//! Float low while the line is under pressure: jammed there, or the small orifice is blocked and nothing lets it rise.

use super::{Context, NO_ANSWERS, Odds, part};
use crate::{
    airflow::normal_litres,
    fault::{Fault, PerFault},
    frame::Frame,
    learned::Learned,
};

/// The transmitter's noise, play and what the opening position was learned with, together, % of stroke.
const AT_OPENING_PCT: f32 = 1.0;

#[derive(Clone, Debug)]
pub(super) struct LowFloat {
    /// Jammed low against small orifice blocked.
    pub(super) odds: Odds,
    /// Time low and off the bottom, and at the very bottom, s.
    off_bottom_s: f32,
    bottom_s: f32,
    least_pct: f32,
    most_pct: f32,
    /// Last answer to a pressure test; NaN before one.
    answer: f32,
    unanswered: f32,
    /// Time still at the opening position or below while the vent passes gas, and where, s and %.
    open_still_s: f32,
    open_still_pct: f32,
    /// Of a pause between bursts that has just ended, and the float before it, s and %.
    pause_s: f32,
    last_pct: f32,
}

impl Default for LowFloat {
    fn default() -> Self {
        LowFloat {
            odds: Odds::default(),
            off_bottom_s: 0.0,
            bottom_s: 0.0,
            least_pct: 100.0,
            most_pct: 0.0,
            answer: f32::NAN,
            unanswered: 0.0,
            open_still_s: 0.0,
            open_still_pct: f32::NAN,
            pause_s: 0.0,
            last_pct: f32::NAN,
        }
    }
}

impl LowFloat {
    pub(super) fn low_s(&self) -> f32 {
        self.off_bottom_s + self.bottom_s
    }

    pub(super) fn after_pause(&mut self, pause_s: f32) {
        self.pause_s = pause_s;
    }

    /// Air has left and the float has risen.
    pub(super) fn cycle(&mut self) {
        *self = LowFloat { odds: self.odds, ..LowFloat::default() };
    }

    pub(super) fn answer(&mut self, answer: f32, is_silent: bool) {
        self.answer = answer;
        self.unanswered = if is_silent { self.unanswered + 1.0 } else { 0.0 };
    }

    pub(super) fn frame(
        &mut self,
        frame: &Frame,
        is_venting: Option<bool>,
        values: &mut PerFault<f32>,
        learned: &Learned,
        context: &Context,
    ) {
        let (site, settings) = (context.site, context.settings);
        let held_open = self.held_open(frame, is_venting, learned, context);
        let is_pressed = frame.pressure_kpa > (settings.pressurised_share * site.static_kpa).max(site.reopen_kpa);
        if frame.float_pct > context.surely_open_below_pct || !is_pressed {
            // A drain-down empties the valve and says nothing; a float that rose has answered.
            if is_pressed || frame.pressure_kpa < site.reopen_kpa {
                let (open_still_s, open_still_pct) = (self.open_still_s, self.open_still_pct);
                *self = LowFloat { odds: self.odds, open_still_s, open_still_pct, ..LowFloat::default() };
            }
            if held_open > 0.0 {
                self.odds = self.log_odds(is_venting, context);
            }
            values.set(Fault::JammedLow, held_open);
            values.set(Fault::SmallBlocked, 0.0);
            return;
        }
        self.least_pct = self.least_pct.min(frame.float_pct);
        self.most_pct = self.most_pct.max(frame.float_pct);
        // Found in the next burst where it was left, it has stood there in the pause.
        let has_stood = libm::fabsf(frame.float_pct - self.last_pct) <= settings.still_pct;
        let length_s = frame.length_s + if has_stood { self.pause_s } else { 0.0 };
        self.pause_s = 0.0;
        self.last_pct = frame.float_pct;
        if frame.float_pct > settings.off_bottom_pct {
            self.off_bottom_s += length_s;
        } else {
            self.bottom_s += length_s;
        }
        let evidence = self.evidence(frame, context);
        self.odds = self.log_odds(is_venting, context);
        let p = self.odds.probability();
        values.set(Fault::JammedLow, part(evidence, p).max(held_open));
        values.set(Fault::SmallBlocked, part(evidence, 1.0 - p));
    }

    /// A float that has sunk to where the orifice opens must rise within seconds: one that stands still there while gas
    /// goes on passing is held.
    fn held_open(&mut self, frame: &Frame, is_venting: Option<bool>, learned: &Learned, context: &Context) -> f32 {
        // Only against positions and odours that this valve has shown itself.
        if learned.opens_pct.weight < 5.0 || learned.odour_base_ppm.weight < 5.0 {
            return 0.0;
        }
        let opens_pct = learned.opens_pct.recent;
        let moved_pct = libm::fabsf(frame.float_pct - self.open_still_pct);
        let has_moved = moved_pct.is_nan() || moved_pct > context.settings.still_pct;
        if has_moved || frame.pressure_kpa < context.site.reopen_kpa {
            self.open_still_s = 0.0;
            self.open_still_pct = frame.float_pct;
        }
        // At the very bottom a pocket in the pipe vents for as long as it takes.
        let is_there = (context.settings.off_bottom_pct..opens_pct + AT_OPENING_PCT).contains(&frame.float_pct);
        if !is_there || is_venting == Some(false) {
            self.open_still_s = (self.open_still_s - frame.length_s).max(0.0);
        } else if is_venting == Some(true) {
            self.open_still_s += frame.length_s;
        }
        let vented_s = context.settings.low_still_s + 60.0;
        self.open_still_s / vented_s
    }

    fn evidence(&self, frame: &Frame, context: &Context) -> f32 {
        let (site, settings) = (context.site, context.settings);
        let pressure_kpa_abs = frame.pressure_kpa + site.p_atm_kpa;
        let flow_nl_s =
            site.small.orifice.normal_flow_nl_s(frame.pressure_kpa, site.p_atm_kpa, context.temperature_k).max(1e-6);
        let vent_s = |volume_l: f32| normal_litres(pressure_kpa_abs, volume_l, context.temperature_k) / flow_nl_s;
        let off_bottom = self.off_bottom_s / (settings.low_still_s + 3.0 * vent_s(site.stroke_volume_l));
        let pocket_s = vent_s(1000.0 * site.largest_pocket_m3);
        let bottom = self.bottom_s / (settings.low_still_s + settings.vent_time_factor * pocket_s);
        off_bottom.max(bottom).max(self.unanswered / NO_ANSWERS)
    }

    fn log_odds(&self, is_venting: Option<bool>, context: &Context) -> Odds {
        let settings = context.settings;
        let mut log_odds = 0.0;
        let travel_pct = self.most_pct - self.least_pct;
        // A float that went on falling is free; one that stands where it was caught is not. At the bottom neither says much.
        if travel_pct > 5.0 * settings.still_pct {
            log_odds -= 1.5;
        } else if self.least_pct > settings.off_bottom_pct {
            log_odds += 1.0;
        }
        if self.answer < settings.no_answer_share {
            log_odds += 2.5;
        } else if self.answer > 0.5 {
            log_odds -= 2.5;
        }
        match is_venting {
            Some(true) => log_odds += 2.5,
            Some(false) => log_odds -= 2.5,
            None => log_odds += 0.1,
        }
        Odds { log_odds }
    }
}
