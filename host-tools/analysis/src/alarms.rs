//! From changes of alarms to a list of alarms that people can read.

use airvalve_monitor::{
    AlarmChange, AlarmKind, Fault, Settings, SiteData, alarm::AlarmState, decision::evidence_names,
};
use airvalve_sensors::Channel;
use airvalve_telemetry::AlarmTransition;

use crate::{
    disproved_by::disproved_by,
    first_check::first_check,
    result::{Alarm, RecordedAlarm, rounded},
    time::Time,
};

/// One alarm, its times as moments.
#[derive(Clone, Copy, Debug)]
struct Raised {
    change: AlarmChange,
    cleared_us: Option<i64>,
}

/// Collects the changes of a replay.
#[derive(Clone, Debug, Default)]
pub(crate) struct AlarmList {
    raised: Vec<Raised>,
    /// Channels in a sensor-fault alarm, one bit a channel id.
    faulty: u8,
}

impl AlarmList {
    /// Takes one change. A condition that stands already (over a gap) is no new alarm; a channel that stands with another
    /// fault (a drift, and now the loop breaks) is one, and ends that.
    pub(crate) fn take(&mut self, change: &AlarmChange) {
        if let Some(channel) = change.channel {
            let bit = 1 << channel as u8;
            self.faulty = if change.is_active { self.faulty | bit } else { self.faulty & !bit };
        }
        let standing = self.raised.iter_mut().rev().find(|raised| {
            raised.cleared_us.is_none()
                && raised.change.channel == change.channel
                && (raised.change.fault == change.fault || change.channel.is_some())
        });
        let stands_already = standing.as_ref().is_some_and(|standing| standing.change.fault == change.fault);
        if change.is_active && stands_already {
            return;
        }
        if let Some(standing) = standing {
            standing.cleared_us = Some(change.time_us);
        }
        if change.is_active {
            self.raised.push(Raised { change: *change, cleared_us: None });
        }
    }

    /// Whether a channel stands in a sensor-fault alarm.
    #[inline(always)]
    pub(crate) fn is_faulty(&self, channel: Channel) -> bool {
        self.faulty & (1 << channel as u8) != 0
    }

    /// Whether an alarm stands that the valve is stuck open.
    pub(crate) fn is_stuck_open(&self) -> bool {
        let mut standing = self.raised.iter().filter(|raised| raised.cleared_us.is_none());
        standing.any(|raised| raised.change.fault.kind() == AlarmKind::StuckOpen)
    }

    /// Faults of the valve whose alarms stood at some moment of a stretch.
    pub(crate) fn standing_between(&self, from_us: i64, to_us: i64) -> Vec<&'static str> {
        let overlaps = |raised: &&Raised| {
            raised.change.channel.is_none()
                && raised.change.time_us <= to_us
                && raised.cleared_us.is_none_or(|cleared_us| cleared_us >= from_us)
        };
        self.raised.iter().filter(overlaps).map(|raised| raised.change.fault.name()).collect()
    }

    /// The list for results.
    pub(crate) fn finish(&self, site: &SiteData, settings: &Settings) -> Vec<Alarm> {
        self.raised
            .iter()
            .map(|Raised { change, cleared_us }| Alarm {
                kind: change.fault.kind().name(),
                fault: change.fault.name(),
                channel: change.channel.map(Channel::column),
                raised_at: Time(change.time_us),
                cleared_at: cleared_us.map(Time),
                evidence: evidence(change),
                first_check: first_check(change.fault),
                disproved_by: disproved_by(change, site, settings),
                confidence: confidence(change.confidence),
                also_possible: faults_in(change.also_possible),
            })
            .collect()
    }
}

/// The alarm change of a recording; `None` for a fault of a later version.
///
/// `offset_us` is what is added to the device's times there.
pub(crate) fn recorded(transition: &AlarmTransition, offset_us: i64) -> Option<RecordedAlarm> {
    let fault = Fault::from_id(transition.fault)?;
    Some(RecordedAlarm {
        at: Time(transition.time_us.saturating_add(offset_us)),
        kind: fault.kind().name(),
        fault: fault.name(),
        channel: Channel::from_id(transition.channel).map(Channel::column),
        state: AlarmState::from_id(transition.state & 0x7f).map_or("unknown", AlarmState::name),
        is_active: transition.state & 0x80 != 0,
        confidence: f64::from(transition.confidence_pct) / 100.0,
    })
}

/// A confidence that nothing could be worked out of is none.
fn confidence(share: f32) -> f64 {
    if share.is_finite() { rounded(f64::from(share)) } else { 0.0 }
}

fn faults_in(bits: u32) -> Vec<&'static str> {
    let all = Fault::VALVE.into_iter().chain(Fault::SENSOR);
    all.filter(|fault| bits & fault.bit() != 0).map(Fault::name).collect()
}

/// What was seen, as a sentence with the figures.
fn evidence(change: &AlarmChange) -> String {
    let names = evidence_names(change.fault);
    let figure =
        |name: &str| names.iter().zip(change.evidence).find(|(known, _)| **known == name).map(|(_, value)| value);
    let number = |name: &str, digits: usize, unit: &str| number(figure(name), digits, unit);
    let float = || format!("float at {}", number("float_pct", 0, " %"));
    let chamber = || format!("chamber at {}", number("pressure_kpa", 0, " kPa"));
    let low = || self::number(figure("low_s").map(|low_s| low_s / 60.0), 0, " min");
    let sentence = match change.fault {
        Fault::JammedLow => format!("{} and not answering for {}, {}", float(), low(), chamber()),
        Fault::SmallBlocked => format!("{} for {} with the {}, and nothing let out", float(), low(), chamber()),
        Fault::JammedUp => {
            let unmoved = number("unmoved_pct", 0, " %");
            format!("{}, where a free float would have moved by {unmoved}, {}", float(), chamber())
        }
        Fault::LargeSeatOpen | Fault::SmallSeatOpen => format!(
            "{}, above its usual rest, the air cushion lost (a cushion would have moved it by {}), {}",
            float(),
            number("unmoved_pct", 0, " %"),
            chamber()
        ),
        Fault::LargeShut => format!("{} as it should be, and yet a vacuum that lasts: {}", float(), chamber()),
        Fault::Clogging => format!(
            "effective area ratio {} against {} at first; release cycles: {}",
            number("area_ratio", 2, ""),
            number("area_ratio_usual", 2, ""),
            number("cycles", 0, "")
        ),
        Fault::Sluggish => format!(
            "{} of the float's answer comes late; it stands off by {} of stroke before it moves, {} at first",
            self::number(figure("late_share").map(|share| 100.0 * share), 0, " %"),
            number("stick_pct", 1, " %"),
            number("stick_usual_pct", 1, " %")
        ),
        Fault::Weeping => format!(
            "air gathers at {} against {} at first; odour between releases {} at first",
            number("arrival_nl_s", 4, " NL/s"),
            number("arrival_usual_nl_s", 4, " NL/s"),
            odour(figure("odour_usual_ppm"))
        ),
        Fault::Heavy => format!(
            "the float answers {} of what a pressure step asks, against {} at first; steps: {}",
            number("answer", 2, ""),
            number("answer_usual", 2, ""),
            number("steps", 0, "")
        ),
        _ => return sensor_evidence(change),
    };
    match figure("odour_ppm") {
        Some(odour_ppm) if odour_ppm.is_finite() => format!("{sentence}; odour {}", odour(Some(odour_ppm))),
        _ => format!("{sentence}; odour not measured"),
    }
}

/// A figure with its unit, or that it is not known.
fn number(value: Option<f32>, digits: usize, unit: &str) -> String {
    match value {
        Some(value) if value.is_finite() => {
            let text = format!("{value:.digits$}{unit}");
            // Nothing, from below, is nothing.
            let is_zero = text.chars().all(|letter| !('1'..='9').contains(&letter));
            text.strip_prefix('-').filter(|_| is_zero).map(str::to_owned).unwrap_or(text)
        }
        _ => "(not known)".to_owned(),
    }
}

/// A concentration: a cell that reads a little below its zero has found none.
fn odour(ppm: Option<f32>) -> String {
    number(ppm.filter(|ppm| ppm.is_finite()).map(|ppm| ppm.max(0.0)), 1, " ppm")
}

fn sensor_evidence(change: &AlarmChange) -> String {
    let [strength, noise, ..] = change.evidence;
    let name = change.channel.map_or("a channel", Channel::name);
    let unit = change.channel.map_or("", Channel::unit);
    let what = match change.fault {
        Fault::WireBreak => "loop current at or below 3.6 mA",
        Fault::Short => "loop current at or above 21 mA",
        Fault::Saturated => "loop current outside the measuring range (3.8 to 20.5 mA)",
        Fault::FlatLine => "repeats one value exactly",
        Fault::Drift => "walks away from what the valve's own behaviour allows",
        Fault::Noise => "noise far above what it was before",
        Fault::DeadCell => "no pulse at release after release",
        _ => "no reading while other channels go on",
    };
    match change.fault {
        // Here the strength only counts seconds.
        Fault::WireBreak | Fault::Short | Fault::Saturated | Fault::Missing => format!("{name}: {what}"),
        _ => {
            let (strength, noise) = (number(Some(strength), 1, ""), number(Some(noise), 2, &format!(" {unit}")));
            format!("{name}: {what}; {strength} times its limit, noise {noise}")
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn change(fault: Fault, channel: Option<Channel>, time_us: i64, is_active: bool) -> AlarmChange {
        AlarmChange {
            time_us,
            fault,
            channel,
            state: AlarmState::Unacknowledged,
            is_active,
            confidence: 0.9,
            also_possible: Fault::SmallBlocked.bit(),
            evidence: [12.0, 182.0, 2460.0, 31.0],
        }
    }

    fn finish(list: &AlarmList) -> Vec<Alarm> {
        let site = airvalve_site::Site::parse(&airvalve_site::template(), "a.toml").unwrap();
        list.finish(&site.detector(|_| true), &Settings::default())
    }

    #[test]
    fn an_alarm_that_stands_over_a_gap_is_listed_once() {
        let mut list = AlarmList::default();
        for (time_us, is_active) in [(10, true), (20, true), (30, false), (40, true)] {
            list.take(&change(Fault::JammedLow, None, time_us, is_active));
        }
        let alarms = finish(&list);
        let times: Vec<_> = alarms.iter().map(|alarm| (alarm.raised_at.0, alarm.cleared_at.map(|at| at.0))).collect();
        assert_eq!(times, [(10, Some(30)), (40, None)]);
    }

    #[test]
    fn a_loop_that_breaks_while_its_channel_drifts_ends_that_alarm_and_begins_another() {
        let mut list = AlarmList::default();
        let pressure = Some(Channel::ChamberPressure);
        for (fault, time_us, is_active) in [
            (Fault::Drift, 10, true),
            (Fault::WireBreak, 20, true),
            // Over a gap.
            (Fault::WireBreak, 30, true),
            (Fault::WireBreak, 40, false),
        ] {
            list.take(&change(fault, pressure, time_us, is_active));
            assert_eq!(list.is_faulty(Channel::ChamberPressure), is_active);
        }
        let alarms = finish(&list);
        let told: Vec<_> =
            alarms.iter().map(|alarm| (alarm.fault, alarm.raised_at.0, alarm.cleared_at.map(|at| at.0))).collect();
        assert_eq!(told, [("drift", 10, Some(20)), ("wire-break", 20, Some(40))]);
    }

    #[test]
    fn evidence_is_a_sentence_with_the_figures() {
        let sentence = evidence(&change(Fault::JammedLow, None, 0, true));
        assert_eq!(sentence, "float at 12 % and not answering for 41 min, chamber at 182 kPa; odour 31.0 ppm");
    }

    #[test]
    fn what_is_not_known_is_said_in_words_for_every_fault() {
        for fault in Fault::VALVE.into_iter().chain(Fault::SENSOR) {
            for nothing in [f32::NAN, f32::INFINITY] {
                let channel = (fault.kind() == AlarmKind::SensorFault).then_some(Channel::Odour);
                let silent =
                    AlarmChange { evidence: [nothing; 4], confidence: nothing, ..change(fault, channel, 0, true) };
                let sentence = evidence(&silent);
                assert!(!sentence.contains("NaN") && !sentence.contains("inf"), "{sentence}");
                let mut list = AlarmList::default();
                list.take(&silent);
                let alarms = finish(&list);
                assert!(alarms.iter().all(|alarm| alarm.confidence == 0.0), "{alarms:?}");
            }
        }
        let silent = AlarmChange { evidence: [f32::NAN; 4], ..change(Fault::JammedLow, None, 0, true) };
        assert_eq!(
            evidence(&silent),
            "float at (not known) and not answering for (not known), chamber at (not known); odour not measured"
        );
    }

    #[test]
    fn no_concentration_is_below_zero() {
        let mut below = change(Fault::JammedLow, None, 0, true);
        below.evidence[3] = -0.7;
        assert!(evidence(&below).ends_with("; odour 0.0 ppm"), "{}", evidence(&below));
    }

    #[test]
    fn a_sensor_fault_names_its_channel_and_is_no_valve_alarm() {
        let mut list = AlarmList::default();
        list.take(&change(Fault::WireBreak, Some(Channel::Odour), 5, true));
        assert!(list.is_faulty(Channel::Odour) && !list.is_faulty(Channel::FloatPosition));
        let alarms = finish(&list);
        assert!(alarms.iter().all(|alarm| !alarm.is_of_valve() && alarm.channel == Some("odour_ppm")));
        list.take(&change(Fault::Short, Some(Channel::Odour), 6, false));
        assert!(!list.is_faulty(Channel::Odour));
        assert!(list.standing_between(0, 10).is_empty());
    }
}
