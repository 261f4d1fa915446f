//! One thing that was to be found, and one stretch of fault-free time, whatever they come from.

use airvalve_monitor::Fault;
use airvalve_sensors::Channel;

use crate::{
    case::{Ailing, CaseId, Subject},
    play::{Outcome, Raised},
};

const MINUTE_S: f64 = 60.0;

/// How it ended with something that was to be found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// It did not show itself before the end: it counts neither way.
    NotShown,
    Found,
    Late,
    Missed,
}

/// One thing that was to be found.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Judged {
    /// Name of the case or of the labelled file.
    pub(crate) name: String,
    /// Fault, or kind of alarm where the fault is not known.
    pub(crate) what: &'static str,
    pub(crate) kind: &'static str,
    pub(crate) verdict: Verdict,
    /// From complete evidence, or from where the label begins, to the alarm, minutes.
    pub(crate) delay_min: Option<f64>,
    /// Fault of the first alarm after it began.
    pub(crate) first: Option<String>,
    /// Whether an alarm was raised for something else.
    pub(crate) has_another: bool,
    pub(crate) traits: Vec<String>,
}

/// Fault-free time, and the alarms that were raised in it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct FaultFree {
    pub(crate) name: String,
    pub(crate) length_s: f64,
    /// Fault of each alarm, and when it was raised, s after the start.
    pub(crate) alarms: Vec<(String, f64)>,
    pub(crate) traits: Vec<String>,
}

/// What was to be found in a simulated case; none in fault-free time.
pub(crate) fn judge(outcome: &Outcome) -> Option<Judged> {
    let Subject::Fault(fault) = CaseId::from_name(&outcome.case)?.subject else { return None };
    let right = after_onset(outcome).find(|alarm| is_right(alarm, fault, outcome));
    let deadline_s = outcome.shown.map_or(0.0, |shown| shown.deadline_s);
    let is_in_time = |alarm: &Raised| alarm.raised_s <= deadline_s;
    let in_time: Vec<&Raised> = after_onset(outcome).filter(|alarm| is_in_time(alarm)).collect();
    let verdict = match (outcome.shown, right) {
        (None, _) => Verdict::NotShown,
        (Some(_), Some(alarm)) if is_in_time(alarm) => Verdict::Found,
        (Some(_), Some(_)) => Verdict::Late,
        (Some(_), None) => Verdict::Missed,
    };
    let complete_s = outcome.shown.map(|shown| shown.complete_s);
    let delay_min = right
        .filter(|_| verdict == Verdict::Found)
        .zip(complete_s)
        .map(|(alarm, complete_s)| (alarm.raised_s - complete_s) / MINUTE_S);
    Some(Judged {
        name: outcome.case.clone(),
        what: fault.name(),
        kind: fault.kind().name(),
        verdict,
        delay_min,
        first: in_time.first().map(|alarm| alarm.fault.clone()),
        has_another: in_time.iter().any(|alarm| !is_right(alarm, fault, outcome)),
        traits: outcome.traits.clone(),
    })
}

/// The fault-free time of a simulated case: all of it, or until the onset.
pub(crate) fn fault_free(outcome: &Outcome) -> FaultFree {
    let length_s = outcome.onset_s.unwrap_or(outcome.length_s);
    let alarms = outcome.alarms.iter().filter(|alarm| alarm.raised_s < length_s && !is_of_ailing(alarm, outcome));
    FaultFree {
        name: outcome.case.clone(),
        length_s,
        alarms: alarms.map(|alarm| (alarm.fault.clone(), alarm.raised_s)).collect(),
        traits: outcome.traits.clone(),
    }
}

/// Whether an alarm is for a sensor that really ails: it is right, on a channel that failed before it.
fn is_of_ailing(alarm: &Raised, outcome: &Outcome) -> bool {
    let ails =
        |ailing: &Ailing| alarm.channel.as_deref() == Some(ailing.channel.as_str()) && alarm.raised_s >= ailing.since_s;
    outcome.ailing.as_ref().is_some_and(ails)
}

fn after_onset(outcome: &Outcome) -> impl Iterator<Item = &Raised> {
    let onset_s = outcome.onset_s.unwrap_or(f64::INFINITY);
    outcome.alarms.iter().filter(move |alarm| alarm.raised_s >= onset_s)
}

/// Whether an alarm is for this fault: it names it; or, where odour is not measured, it says that it may be it; or it is
/// what the fault cannot be told from.
fn is_right(alarm: &Raised, fault: Fault, outcome: &Outcome) -> bool {
    let is_possible = !outcome.has_odour && alarm.also_possible.iter().any(|other| other == fault.name());
    let is_named = alarm.fault == fault.name() || is_possible;
    (is_named || is_pinned_cell(alarm, fault, outcome)) && alarm.channel == outcome.channel
}

/// A cell that has drifted below what its loop carries shows no pulse any more: nobody can tell it from a dead one.
fn is_pinned_cell(alarm: &Raised, fault: Fault, outcome: &Outcome) -> bool {
    let is_cell = outcome.channel.as_deref() == Some(Channel::Odour.column());
    is_cell && fault == Fault::Drift && alarm.fault == Fault::DeadCell.name()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::truth::Shown;

    fn raised(fault: Fault, hours: f64, also_possible: &[Fault]) -> Raised {
        Raised {
            fault: fault.name().to_owned(),
            channel: None,
            raised_s: 3600.0 * hours,
            cleared_s: None,
            confidence: 0.9,
            also_possible: also_possible.iter().map(|fault| fault.name().to_owned()).collect(),
        }
    }

    /// A float jammed at 3 h, known at 4 h, to be found until 5 h.
    fn jammed_low(alarms: Vec<Raised>) -> Outcome {
        Outcome {
            case: "judging-first-jammed-low-0003".to_owned(),
            length_s: 12.0 * 3600.0,
            onset_s: Some(3.0 * 3600.0),
            shown: Some(Shown { complete_s: 4.0 * 3600.0, deadline_s: 5.0 * 3600.0 }),
            channel: None,
            ailing: None,
            has_odour: true,
            alarms,
            traits: Vec::new(),
        }
    }

    #[test]
    fn an_alarm_in_time_is_found_and_one_after_it_is_late() {
        let verdict = |hours| judge(&jammed_low(vec![raised(Fault::JammedLow, hours, &[])])).unwrap().verdict;
        assert_eq!(verdict(3.5), Verdict::Found);
        assert_eq!(verdict(5.0), Verdict::Found);
        assert_eq!(verdict(5.1), Verdict::Late);
        assert_eq!(judge(&jammed_low(Vec::new())).unwrap().verdict, Verdict::Missed);
    }

    #[test]
    fn an_alarm_before_the_fault_is_false_and_does_not_find_it() {
        let outcome = jammed_low(vec![raised(Fault::JammedLow, 2.0, &[])]);
        assert_eq!(judge(&outcome).unwrap().verdict, Verdict::Missed);
        let free = fault_free(&outcome);
        assert_eq!((free.length_s, free.alarms.len()), (3.0 * 3600.0, 1));
    }

    #[test]
    fn an_alarm_for_a_sensor_that_ails_is_right_and_one_for_the_valve_is_not() {
        let on = |channel: Option<&str>, hours| Raised {
            channel: channel.map(str::to_owned),
            ..raised(Fault::DeadCell, hours, &[])
        };
        let outcome = Outcome {
            case: "judging-first-fault-free-0001".to_owned(),
            onset_s: None,
            shown: None,
            ailing: Some(Ailing { channel: "odour_ppm".to_owned(), since_s: 5.0 * 3600.0 }),
            ..jammed_low(vec![on(Some("odour_ppm"), 4.0), on(Some("odour_ppm"), 6.0), on(None, 7.0)])
        };
        let times: Vec<f64> = fault_free(&outcome).alarms.iter().map(|(_, raised_s)| raised_s / 3600.0).collect();
        assert_eq!(times, [4.0, 7.0]);
    }

    #[test]
    fn the_delay_counts_from_complete_evidence() {
        let judged = judge(&jammed_low(vec![raised(Fault::JammedLow, 4.1, &[])])).unwrap();
        assert!((judged.delay_min.unwrap() - 6.0).abs() < 1e-9);
        assert_eq!(judged.first.as_deref(), Some("jammed-low"));
        assert!(!judged.has_another);
    }

    #[test]
    fn a_fault_that_never_shows_itself_counts_neither_way() {
        let outcome = Outcome { shown: None, ..jammed_low(vec![raised(Fault::JammedLow, 4.1, &[])]) };
        assert_eq!(judge(&outcome).unwrap().verdict, Verdict::NotShown);
    }

    #[test]
    fn what_is_also_possible_counts_only_without_odour() {
        let alarms = vec![raised(Fault::SmallBlocked, 4.5, &[Fault::JammedLow])];
        let clean = Outcome { has_odour: false, ..jammed_low(alarms.clone()) };
        assert_eq!(judge(&clean).unwrap().verdict, Verdict::Found);
        let smelly = judge(&jammed_low(alarms)).unwrap();
        assert_eq!((smelly.verdict, smelly.has_another), (Verdict::Missed, true));
    }

    #[test]
    fn a_sensor_fault_must_name_its_channel() {
        let on = |channel: &str| Outcome {
            case: "judging-first-short-0001".to_owned(),
            channel: Some("float_pct".to_owned()),
            ..jammed_low(vec![Raised { channel: Some(channel.to_owned()), ..raised(Fault::Short, 4.5, &[]) }])
        };
        assert_eq!(judge(&on("float_pct")).unwrap().verdict, Verdict::Found);
        assert_eq!(judge(&on("pressure_kpa")).unwrap().verdict, Verdict::Missed);
    }
}
