//! What would show that an alarm is wrong: for whoever doubts it, or stands before the valve.

use airvalve_monitor::{
    AlarmChange, AlarmKind, Fault, Settings, SiteData, airflow::normal_litres, decision::evidence_names,
};

// Limits to which the detector scales its evidence. Source: its evidence of fouling, of vacuum and of the odour.
/// Loss of area of a clogged orifice; of a heavy float, what of its cushion it hides, of the stroke.
const CLOGGED_LOSS: f32 = 0.40;
const HEAVY_STROKES: f32 = 0.065;
/// Late share of a sluggish float's answer; leak of a weeping seat, of what arrives.
const LATE_SHARE: f32 = 0.35;
const LEAK_SHARE: f32 = 0.45;
/// Most that a clean float stands off, % of stroke.
const MOST_USUAL_STICK_PCT: f32 = 1.0;
/// Vacuum below which no orifice counts as shut, kPa: 5.6, and a third more.
const SHALLOWEST_SHUT_KPA: f32 = 7.6;
/// Rise of the odour that counts as a pulse, ppm, and how long after a release it is waited for, s.
const PULSE_PPM: f32 = 1.0;
const PULSE_S: f32 = 90.0;
/// At the very bottom a float shows no change of pressure, % of stroke.
const BOTTOM_PCT: f32 = 2.0;

/// What would disprove an alarm, in one sentence with figures of this valve.
///
/// Source: physics, by the detector's own limits; on the sensors common practice.
pub(crate) fn disproved_by(change: &AlarmChange, site: &SiteData, settings: &Settings) -> String {
    let case = Case { change, site, settings };
    match change.fault.kind() {
        AlarmKind::StuckOpen | AlarmKind::StuckClosed => case.stuck(),
        AlarmKind::Fouling => case.fouling(),
        AlarmKind::SensorFault => case.sensor(),
    }
}

struct Case<'a> {
    change: &'a AlarmChange,
    site: &'a SiteData,
    settings: &'a Settings,
}

impl Case<'_> {
    /// One of the figures behind the alarm; none where it is not known.
    fn figure(&self, name: &str) -> Option<f32> {
        let names = evidence_names(self.change.fault);
        let value = names.iter().zip(self.change.evidence).find(|(known, _)| **known == name).map(|(_, value)| value);
        value.filter(|value| value.is_finite())
    }

    fn float_pct(&self) -> f32 {
        self.figure("float_pct").unwrap_or(self.site.small.opens_below_pct)
    }

    /// How far a free float goes on from here when its cushion is pressed together, or let go, by the pumps, % of stroke.
    fn free_pct(&self, float_pct: f32, [from_kpa, to_kpa]: [f32; 2], room_pct: f32) -> f32 {
        let site = self.site;
        let ratio = (from_kpa + site.p_atm_kpa) / (to_kpa + site.p_atm_kpa).max(1.0);
        let moved_pct = 100.0 * site.air_space_l(float_pct) * (1.0 - ratio).abs() / site.stroke_volume_l;
        moved_pct.min(room_pct.max(0.0))
    }

    fn at_start_pct(&self, float_pct: f32) -> f32 {
        self.free_pct(float_pct, [self.site.static_kpa, self.site.working_kpa], 100.0 - float_pct)
    }

    fn at_stop_pct(&self, float_pct: f32) -> f32 {
        self.free_pct(float_pct, [self.site.working_kpa, self.site.static_kpa], float_pct)
    }

    /// Movement that counts as an answer, where a free float makes this much, % of stroke.
    fn answer_pct(&self, free_pct: f32) -> f32 {
        (self.settings.evidence.no_answer_share * free_pct).max(self.settings.evidence.still_pct)
    }

    /// Time in which the largest pocket vents, min.
    fn pocket_min(&self) -> f32 {
        let (site, kpa) = (self.site, self.site.static_kpa);
        let pocket_nl = normal_litres(kpa + site.p_atm_kpa, 1000.0 * site.largest_pocket_m3, site.air_temperature_k);
        self.settings.evidence.vent_time_factor * pocket_nl / self.clean_nl_min()
    }

    /// Flow through the clean small orifice with the pumps stopped, NL/min.
    fn clean_nl_min(&self) -> f32 {
        let (site, kpa) = (self.site, self.site.static_kpa);
        60.0 * site.small.orifice.normal_flow_nl_s(kpa, site.p_atm_kpa, site.air_temperature_k).max(1e-6)
    }

    fn stuck(&self) -> String {
        let (site, evidence) = (self.site, &self.settings.evidence);
        let float_pct = self.float_pct();
        let cycle = "a release cycle, or";
        match self.change.fault {
            Fault::JammedLow if float_pct < BOTTOM_PCT => {
                let (pocket_m3, vent_min) = (site.largest_pocket_m3, self.pocket_min());
                format!(
                    "{cycle} the float leaving the bottom: a pocket of {pocket_m3} m3 has vented in {vent_min:.0} min"
                )
            }
            Fault::JammedLow => {
                let free_pct = self.at_start_pct(float_pct);
                let answer_pct = self.answer_pct(free_pct);
                format!(
                    "{cycle} the float rising by more than {answer_pct:.1} % at a pump start (a free one: {free_pct:.0} %)"
                )
            }
            Fault::JammedUp => {
                let free_pct = self.at_stop_pct(float_pct);
                let answer_pct = self.answer_pct(free_pct);
                format!(
                    "{cycle} the float falling by more than {answer_pct:.1} % at a pump stop (a free one: {free_pct:.0} %)"
                )
            }
            Fault::SmallBlocked => {
                let opens_pct = site.small.opens_below_pct;
                format!("{cycle} the float rising above {opens_pct:.0} % while the line is under pressure")
            }
            Fault::SmallSeatOpen => {
                let (still_pct, free_pct) = (evidence.still_pct, self.at_stop_pct(100.0));
                format!(
                    "{cycle} the float falling by more than {still_pct:.1} % from its seat at a pump stop (on a cushion of \
                     the seal volume alone: {free_pct:.0} %)"
                )
            }
            Fault::LargeSeatOpen => {
                let pressure_kpa = self.figure("pressure_kpa").unwrap_or(site.static_kpa);
                let sag_kpa = evidence.sagging_share * (pressure_kpa + site.p_atm_kpa);
                format!("{cycle} the chamber within {sag_kpa:.0} kPa of the line while the float is at its seat")
            }
            // Large orifice shut.
            _ => format!(
                "a gauge beside the transmitter that stays within {SHALLOWEST_SHUT_KPA} kPa of the atmosphere while the \
                 float is down and the main drains"
            ),
        }
    }

    fn fouling(&self) -> String {
        let (evidence, decision) = (&self.settings.evidence, &self.settings.decision);
        // The alarm goes when its evidence falls below this.
        let gone = (decision.fouling_threshold - decision.fouling_deadband).max(0.0);
        let few = evidence.recent_cycles;
        match self.change.fault {
            Fault::Clogging => {
                let ratio = self.figure("area_ratio_usual").unwrap_or(1.0) * (1.0 - gone * CLOGGED_LOSS);
                let (clean_nl_min, kpa) = (self.clean_nl_min(), self.site.static_kpa);
                format!(
                    "an area ratio above {ratio:.2} over the next {few:.0} release cycles, or {clean_nl_min:.0} NL/min \
                     through the orifice at {kpa:.0} kPa"
                )
            }
            Fault::Sluggish => {
                let usual_pct = self.figure("stick_usual_pct").unwrap_or_default().clamp(0.0, MOST_USUAL_STICK_PCT);
                let (stick_pct, late_pct) = (gone * (evidence.stick_pct + usual_pct), 100.0 * gone * LATE_SHARE);
                format!(
                    "the float standing off by less than {stick_pct:.1} % before it moves, and less than {late_pct:.0} % of \
                     its answer late, over the next {few:.0} pressure steps"
                )
            }
            Fault::Heavy => {
                let space_strokes = self.site.air_space_l(self.site.small.closes_above_pct) / self.site.stroke_volume_l;
                let least = 1.0 - gone * HEAVY_STROKES / space_strokes.max(0.1);
                let answer = self.figure("answer_usual").unwrap_or(1.0) * least.max(0.0);
                format!(
                    "the float answering more than {answer:.2} of what a pressure step asks over the next {few:.0} steps, or \
                     weighing no more than its data sheet says"
                )
            }
            // Weeping.
            _ => match self.figure("arrival_usual_nl_s").filter(|usual_nl_s| *usual_nl_s > 0.0) {
                Some(usual_nl_s) => format!(
                    "air gathering at more than {:.4} NL/s over {:.0} h sealed with the pump stopped",
                    usual_nl_s * (1.0 - gone * LEAK_SHARE),
                    evidence.arrival_recent_h
                ),
                None => format!(
                    "the float staying within {:.1} %, or falling, through an hour sealed with the pump stopped",
                    evidence.still_pct
                ),
            },
        }
    }

    fn sensor(&self) -> String {
        let Some(channel) = self.change.channel else { return "a reference that agrees with the reading".to_owned() };
        let (name, unit) = (channel.name(), channel.unit());
        let accuracy = self.site.accuracy(channel);
        let noise = self.figure("noise").unwrap_or_default();
        match self.change.fault {
            Fault::WireBreak => "a meter in the loop that shows 3.8 mA or more at the same time".to_owned(),
            Fault::Short => "a meter in the loop that shows 20.5 mA or less at the same time".to_owned(),
            Fault::Saturated => match self.site.spans.get(channel) {
                Some(span) => format!("a reference for {name} below {} or above {} {unit}", span.low, span.high),
                None => format!("a reference for {name} outside the span of the transmitter"),
            },
            Fault::FlatLine => format!(
                "the reading changing by more than {accuracy:.1} {unit} when {name} does, at the next pump start or by hand"
            ),
            Fault::Drift => format!("a reference for {name} within {accuracy:.1} {unit} of the reading at two points"),
            Fault::Noise => format!(
                "a second instrument for {name} that swings as much, with a standard deviation of about {noise:.2} {unit}"
            ),
            Fault::DeadCell => format!(
                "test gas that lifts the reading, or a release after which it rises by more than {PULSE_PPM:.0} ppm within \
                 {PULSE_S:.0} s"
            ),
            // Missing.
            _ => format!(
                "a reading of {name} at the device itself in any {:.0} s of this time: then it is lost behind the device",
                self.settings.evidence.missing_s
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use airvalve_monitor::{Learned, alarm::AlarmState, learned::Baseline};
    use airvalve_sensors::Channel;

    use super::*;
    use crate::learned::tests::{detectors_evidence, site};

    fn sentence(fault: Fault, evidence: [f32; 4]) -> String {
        let change = AlarmChange {
            time_us: 0,
            fault,
            channel: (fault.kind() == AlarmKind::SensorFault).then_some(Channel::Odour),
            state: AlarmState::Unacknowledged,
            is_active: true,
            confidence: 0.9,
            also_possible: 0,
            evidence,
        };
        disproved_by(&change, &site(), &Settings::default())
    }

    #[test]
    fn every_fault_has_one_sentence_of_its_own_with_figures_that_are_numbers() {
        let mut all = Vec::new();
        for fault in Fault::VALVE.into_iter().chain(Fault::SENSOR) {
            for evidence in [[40.0, 180.0, 300.0, 30.0], [f32::NAN; 4], [f32::INFINITY; 4], [0.0; 4], [-1e30; 4]] {
                let sentence = sentence(fault, evidence);
                assert!(!sentence.contains("NaN") && !sentence.contains("inf"), "{sentence}");
                assert!(!sentence.contains(['.', ';']) || !sentence.ends_with('.'), "{sentence}");
                assert!(sentence.contains(|letter: char| letter.is_ascii_digit()), "{sentence}");
                assert!(sentence.len() < 200, "{sentence}");
            }
            all.push(sentence(fault, [40.0, 180.0, 300.0, 30.0]));
        }
        all.sort();
        all.dedup();
        assert_eq!(all.len(), 18, "{all:#?}");
    }

    #[test]
    fn the_limits_of_fouling_are_those_of_the_detector() {
        let known = |mean, recent| Baseline { mean, deviation: 1e-4, weight: 500.0, recent };
        let bare = Learned::from_data_sheet(&site());
        let at_limit = [
            (Fault::Clogging, Learned { slowness: known(1.0, 1.0 / (1.0 - CLOGGED_LOSS)), ..bare }),
            (Fault::Sluggish, Learned { late_answer: known(0.0, LATE_SHARE), ..bare }),
            (Fault::Sluggish, Learned { stick_pct: known(MOST_USUAL_STICK_PCT, 2.0 + MOST_USUAL_STICK_PCT), ..bare }),
            (
                Fault::Heavy,
                Learned { answer: known(1.0, 1.0 - 2.0 * HEAVY_STROKES), tested_space: known(0.5, 0.5), ..bare },
            ),
            (
                Fault::Weeping,
                Learned {
                    arrival_running_nl_s: known(0.05, 0.05 * (1.0 - LEAK_SHARE)),
                    arrival_stopped_nl_s: known(0.05, 0.05 * (1.0 - LEAK_SHARE)),
                    ..bare
                },
            ),
        ];
        for (fault, learned) in at_limit {
            let evidence = detectors_evidence(fault, &learned);
            assert!((evidence - 1.0).abs() < 0.02, "{fault:?}: {evidence}");
        }
    }

    #[test]
    fn a_free_float_moves_as_its_cushion_is_pressed_together() {
        let site = site();
        let case = Case { change: &NOTHING, site: &site, settings: &Settings::default() };
        // Boyle's law by hand: 1.2 + 0.6 x 6 L of air at 180 + p kPa absolute, then at 320 + p.
        let (p_atm_kpa, space_l) = (f64::from(site.p_atm_kpa), 4.8);
        let by_hand_pct = 100.0 * (space_l - space_l * (180.0 + p_atm_kpa) / (320.0 + p_atm_kpa)) / 6.0;
        assert!((f64::from(case.at_start_pct(40.0)) - by_hand_pct).abs() < 0.01, "{by_hand_pct}");
        // No further than its seat and its bottom.
        assert_eq!(case.at_start_pct(99.0), 1.0);
        assert_eq!(case.at_stop_pct(2.0), 2.0);
        let said = sentence(Fault::JammedLow, [40.0, 180.0, 300.0, 30.0]);
        let expected =
            format!("more than {:.1} % at a pump start (a free one: {by_hand_pct:.0} %)", 0.25 * by_hand_pct);
        assert!(said.starts_with("a release cycle, or the float rising by ") && said.ends_with(&expected), "{said}");
    }

    const NOTHING: AlarmChange = AlarmChange {
        time_us: 0,
        fault: Fault::JammedLow,
        channel: None,
        state: AlarmState::Normal,
        is_active: false,
        confidence: 0.0,
        also_possible: 0,
        evidence: [f32::NAN; 4],
    };
}
