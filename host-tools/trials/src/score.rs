//! From what was judged to figures: found in time, false alarms, wrong kind, confusion, worst cases.

use std::collections::BTreeMap;

use airvalve_monitor::AlarmKind;
use serde::Serialize;

use crate::{
    case::Subject,
    interval::{poisson_mean_95, proportion_95},
    judged::{FaultFree, Judged, Verdict, fault_free, judge},
    play::Outcome,
};

const YEAR_S: f64 = 365.25 * 86_400.0;

/// Shares that are to be found in time, greatest share of wrong kind, greatest number of false alarms in a valve-year: of
/// the valve at all, and of those that send a crew out at once. Source: the project's goals.
const FOUND_GOAL: f64 = 0.99;
const FOULING_FOUND_GOAL: f64 = 0.95;
const WRONG_GOAL: f64 = 0.02;
const FALSE_GOAL: f64 = 1.0;
const FALSE_STUCK_GOAL: f64 = 0.0;

/// With fewer cases even one missed of none says little: the interval of 20 of 20 goes down to 83 %, that of 10 of 10 to
/// 69 %.
const FEWEST_CASES: u64 = 20;
/// Goals are for a valve-year: less time than that does not show one.
const LEAST_YEARS: f64 = 1.0;

/// Whether a goal is held, by the point estimate and only where there is evidence enough.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum GoalVerdict {
    /// The estimate holds it.
    Held,
    /// The estimate does not, and rests on enough, or on so much worse that its whole interval does not.
    NotHeld,
    /// Too little was played to say.
    NotShown,
}

impl GoalVerdict {
    fn new(is_held: bool, is_enough: bool, is_excluded: bool) -> GoalVerdict {
        match (is_held, is_enough) {
            (true, true) => GoalVerdict::Held,
            (false, true) => GoalVerdict::NotHeld,
            (_, false) if is_excluded => GoalVerdict::NotHeld,
            (_, false) => GoalVerdict::NotShown,
        }
    }
}

/// Figures of an evaluation.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Score {
    /// One a sub-fault.
    pub faults: Vec<FaultScore>,
    /// Raised for another fault instead, over all that was judged.
    pub wrong_kind: Share,
    /// False alarms on fault-free time.
    pub false_alarms: Vec<FalseScore>,
    /// First alarm after the onset, by what was wrong.
    pub confusion: BTreeMap<&'static str, BTreeMap<String, u64>>,
    /// What went wrong, by name: missed and late first, then false alarms.
    pub worst: Vec<Worst>,
}

/// A share with its exact 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[allow(missing_docs)]
pub struct Share {
    pub count: u64,
    pub of: u64,
    /// None where there is nothing to judge by.
    pub share: Option<f64>,
    pub low: f64,
    pub high: f64,
    pub goal: f64,
    pub verdict: GoalVerdict,
}

impl Share {
    /// A share that is to be no less than its goal.
    fn at_least(count: u64, of: u64, goal: f64) -> Share {
        Share::new(count, of, goal, |share| share >= goal)
    }

    /// A share that is to be no more than its goal.
    fn at_most(count: u64, of: u64, goal: f64) -> Share {
        Share::new(count, of, goal, |share| share <= goal)
    }

    fn new(count: u64, of: u64, goal: f64, holds: impl Fn(f64) -> bool) -> Share {
        let (low, high) = proportion_95(count, of);
        let share = (of > 0).then(|| count as f64 / of as f64);
        let is_excluded = !holds(low) && !holds(high);
        let verdict = GoalVerdict::new(share.is_some_and(&holds), of >= FEWEST_CASES, is_excluded);
        Share { count, of, share, low, high, goal, verdict }
    }
}

/// What became of the cases of one fault.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FaultScore {
    /// Name of the fault, or of its kind where the fault is not known.
    pub fault: &'static str,
    /// Kind of alarm.
    pub kind: &'static str,
    /// Cases played.
    pub cases: u64,
    /// Cases whose fault did not show itself before the end: they count neither way.
    pub not_shown: u64,
    /// Found in time, of those that showed themselves.
    pub found: Share,
    /// Found, but too late.
    pub late: u64,
    /// From complete evidence to the alarm, median of those found, minutes; below 0 where it came before.
    pub delay_median_min: Option<f64>,
    /// The same, 95th percentile.
    pub delay_p95_min: Option<f64>,
    /// Raised for another fault and not for this one.
    pub wrong: u64,
    /// Raised for another fault beside this one.
    pub beside: u64,
}

/// False alarms of one sort.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FalseScore {
    /// Which alarms.
    pub alarms: &'static str,
    /// How many.
    pub count: u64,
    /// Fault-free time, valve-years.
    pub valve_years: f64,
    /// A valve-year, and its exact 95 % interval; none without any time.
    pub per_year: Option<f64>,
    /// Lower end.
    pub per_year_low: Option<f64>,
    /// Upper end.
    pub per_year_high: Option<f64>,
    /// At most so many; none where nothing is asked.
    pub goal_per_year: Option<f64>,
    /// Whether that is held; none where nothing is asked.
    pub verdict: Option<GoalVerdict>,
    /// Of which fault, how many.
    pub by_fault: BTreeMap<String, u64>,
}

/// One case that went wrong.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Worst {
    /// Name of the case, for `--case` and `--write`, or of the file.
    pub case: String,
    /// What was wrong with the valve; none for a false alarm.
    pub fault: Option<&'static str>,
    /// What went wrong.
    pub what: String,
    /// What sort of case it is.
    pub traits: Vec<String>,
}

/// Works out the figures of simulated cases.
pub fn score(outcomes: &[Outcome]) -> Score {
    let judged: Vec<Judged> = outcomes.iter().filter_map(judge).collect();
    let free: Vec<FaultFree> = outcomes.iter().map(fault_free).collect();
    score_of(&judged, &free)
}

pub(crate) fn score_of(judged: &[Judged], free: &[FaultFree]) -> Score {
    let mut confusion: BTreeMap<&'static str, BTreeMap<String, u64>> = BTreeMap::new();
    for case in judged.iter().filter(|case| case.verdict != Verdict::NotShown) {
        let first = case.first.clone().unwrap_or_else(|| "none".to_owned());
        *confusion.entry(case.what).or_default().entry(first).or_default() += 1;
    }
    let faults: Vec<FaultScore> = names_in_order(judged)
        .into_iter()
        .map(|name| fault_score(&judged.iter().filter(|case| case.what == name).collect::<Vec<_>>()))
        .collect();
    let wrong = faults.iter().map(|fault| fault.wrong).sum();
    let of = faults.iter().map(|fault| fault.found.of).sum();
    let mut worst: Vec<Worst> = judged.iter().filter_map(what_went_wrong).collect();
    worst.extend(free.iter().filter_map(first_false));
    Score {
        faults,
        wrong_kind: Share::at_most(wrong, of, WRONG_GOAL),
        false_alarms: false_scores(free),
        confusion,
        worst,
    }
}

/// Faults in the order of their ids, then kinds.
fn names_in_order(judged: &[Judged]) -> Vec<&'static str> {
    let mut names: Vec<&'static str> = Subject::all().map(Subject::name).collect();
    names.extend(judged.iter().map(|case| case.kind));
    let mut seen = Vec::new();
    for name in names {
        if judged.iter().any(|case| case.what == name) && !seen.contains(&name) {
            seen.push(name);
        }
    }
    seen
}

fn fault_score(cases: &[&Judged]) -> FaultScore {
    let count = |wanted: Verdict| cases.iter().filter(|case| case.verdict == wanted).count() as u64;
    let others = |is_found: bool| {
        let shown = cases.iter().filter(|case| case.verdict != Verdict::NotShown && case.has_another);
        shown.filter(|case| (case.verdict == Verdict::Found) == is_found).count() as u64
    };
    let mut delays_min: Vec<f64> = cases.iter().filter_map(|case| case.delay_min).collect();
    delays_min.sort_by(f64::total_cmp);
    let (fault, kind) = cases.first().map_or(("", ""), |case| (case.what, case.kind));
    let goal = if kind == AlarmKind::Fouling.name() { FOULING_FOUND_GOAL } else { FOUND_GOAL };
    FaultScore {
        fault,
        kind,
        cases: cases.len() as u64,
        not_shown: count(Verdict::NotShown),
        found: Share::at_least(count(Verdict::Found), cases.len() as u64 - count(Verdict::NotShown), goal),
        late: count(Verdict::Late),
        delay_median_min: quantile(&delays_min, 0.5),
        delay_p95_min: quantile(&delays_min, 0.95),
        wrong: others(false),
        beside: others(true),
    }
}

/// The least value of a sorted list that this share of it does not exceed.
fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let place = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(place.saturating_sub(1)).copied()
}

fn what_went_wrong(case: &Judged) -> Option<Worst> {
    let how = match case.verdict {
        Verdict::NotShown => return None,
        Verdict::Found => return None,
        Verdict::Late => "late",
        Verdict::Missed => "missed",
    };
    let instead = case.first.as_ref().map(|fault| format!(", {fault} instead")).unwrap_or_default();
    Some(Worst {
        case: case.name.clone(),
        fault: Some(case.what),
        what: format!("{how}{instead}"),
        traits: case.traits.clone(),
    })
}

fn kind_of(fault: &str) -> Option<AlarmKind> {
    match Subject::from_name(fault)? {
        Subject::Fault(fault) => Some(fault.kind()),
        Subject::FaultFree => None,
    }
}

/// The first false alarm of a stretch; one of the valve rather than one of a sensor.
fn first_false(free: &FaultFree) -> Option<Worst> {
    let is_of_valve = |(fault, _): &&(String, f64)| kind_of(fault) != Some(AlarmKind::SensorFault);
    let (fault, raised_s) = free.alarms.iter().find(is_of_valve).or_else(|| free.alarms.first())?;
    Some(Worst {
        case: free.name.clone(),
        fault: None,
        what: format!("false {fault} at {:.2} h", raised_s / 3600.0),
        traits: free.traits.clone(),
    })
}

fn false_scores(free: &[FaultFree]) -> Vec<FalseScore> {
    let is_stuck = |kind| matches!(kind, AlarmKind::StuckOpen | AlarmKind::StuckClosed);
    vec![
        false_score(free, "of the valve", Some(FALSE_GOAL), |kind| kind != AlarmKind::SensorFault),
        false_score(free, "stuck-open, stuck-closed", Some(FALSE_STUCK_GOAL), is_stuck),
        false_score(free, "sensor-fault", None, |kind| kind == AlarmKind::SensorFault),
    ]
}

fn false_score(
    free: &[FaultFree],
    alarms: &'static str,
    goal_per_year: Option<f64>,
    is_of: impl Fn(AlarmKind) -> bool,
) -> FalseScore {
    // The sum of nothing is a negative zero.
    let valve_years = 0.0 + free.iter().map(|stretch| stretch.length_s).sum::<f64>() / YEAR_S;
    let mut by_fault: BTreeMap<String, u64> = BTreeMap::new();
    for (fault, _) in free.iter().flat_map(|stretch| &stretch.alarms) {
        if kind_of(fault).is_some_and(&is_of) {
            *by_fault.entry(fault.clone()).or_default() += 1;
        }
    }
    let count = by_fault.values().sum();
    let (low, high) = poisson_mean_95(count);
    let per_year = |events: f64| (valve_years > 0.0).then(|| events / valve_years);
    let verdict = goal_per_year.map(|goal| {
        let is_held = per_year(count as f64).is_some_and(|rate| rate <= goal);
        let is_excluded = per_year(low).is_some_and(|rate| rate > goal);
        GoalVerdict::new(is_held, valve_years >= LEAST_YEARS, is_excluded)
    });
    FalseScore {
        alarms,
        count,
        valve_years,
        per_year: per_year(count as f64),
        per_year_low: per_year(low),
        per_year_high: per_year(high),
        goal_per_year,
        verdict,
        by_fault,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn judged(verdict: Verdict, delay_min: Option<f64>, has_another: bool) -> Judged {
        Judged {
            name: "case".into(),
            what: "clogging",
            kind: "fouling",
            verdict,
            delay_min,
            first: has_another.then(|| "heavy".into()),
            has_another,
            traits: Vec::new(),
        }
    }

    #[test]
    fn only_what_has_shown_itself_is_judged() {
        let cases = [
            judged(Verdict::Found, Some(3.0), true),
            judged(Verdict::Found, Some(1.0), false),
            judged(Verdict::Missed, None, true),
            judged(Verdict::Late, None, false),
            judged(Verdict::NotShown, None, true),
        ];
        let score = score_of(&cases, &[]);
        let [row] = score.faults.as_slice() else { unreachable!("one fault") };
        assert_eq!((row.cases, row.not_shown, row.found.count, row.found.of), (5, 1, 2, 4));
        assert_eq!((row.late, row.wrong, row.beside), (1, 1, 1));
        assert_eq!((row.delay_median_min, row.delay_p95_min), (Some(1.0), Some(3.0)));
        assert_eq!((score.wrong_kind.count, score.wrong_kind.of), (1, 4));
        assert_eq!(score.worst.len(), 2);
        assert_eq!(score.confusion["clogging"]["heavy"], 2);
    }

    #[test]
    fn a_goal_is_held_or_not_only_where_there_is_evidence() {
        let found = |count, of| Share::at_least(count, of, FOUND_GOAL).verdict;
        assert_eq!((found(40, 40), found(39, 40)), (GoalVerdict::Held, GoalVerdict::NotHeld));
        assert_eq!([found(1, 1), found(10, 11), found(0, 0)], [GoalVerdict::NotShown; 3]);
        // Its whole interval lies below the goal.
        assert_eq!(found(0, 5), GoalVerdict::NotHeld);
        let wrong = |count, of| Share::at_most(count, of, WRONG_GOAL).verdict;
        assert_eq!(
            (wrong(0, 1), wrong(0, 20), wrong(3, 20)),
            (GoalVerdict::NotShown, GoalVerdict::Held, GoalVerdict::NotHeld)
        );
        let raised = |count: usize, years: f64| {
            let alarms = vec![("heavy".to_owned(), 60.0); count];
            let free = FaultFree { name: "a".into(), length_s: years * YEAR_S, alarms, traits: Vec::new() };
            score_of(&[], &[free]).false_alarms[0].verdict
        };
        assert_eq!((raised(0, 0.0), raised(0, 0.001)), (Some(GoalVerdict::NotShown), Some(GoalVerdict::NotShown)));
        assert_eq!((raised(0, 1.0), raised(2, 1.0)), (Some(GoalVerdict::Held), Some(GoalVerdict::NotHeld)));
        assert_eq!(raised(3, 0.1), Some(GoalVerdict::NotHeld));
        assert_eq!(score_of(&[], &[]).false_alarms[2].verdict, None);
    }

    #[test]
    fn false_alarms_are_counted_by_who_is_sent_out() {
        let alarms = ["jammed-up", "heavy", "noise"].map(|fault| (fault.to_owned(), 60.0)).to_vec();
        let free = FaultFree { name: "a".into(), length_s: 2.0 * YEAR_S, alarms, traits: Vec::new() };
        let score = score_of(&[], &[free]);
        let counts: Vec<u64> = score.false_alarms.iter().map(|sort| sort.count).collect();
        assert_eq!(counts, [2, 1, 1]);
        let stuck = &score.false_alarms[1];
        // Source: exact Poisson interval of one event, 0.0253 to 5.572 (tests/reference/poisson_exact.csv), over two years.
        assert!((stuck.per_year_low.unwrap() - 0.025_317_8 / 2.0).abs() < 1e-6);
        assert!((stuck.per_year_high.unwrap() - 5.571_643 / 2.0).abs() < 1e-5);
        assert_eq!(score.worst[0].what, "false jammed-up at 0.02 h");
    }
}
