//! The figures of an evaluation as a table that stands in the project.

use std::fmt::Write as _;

use airvalve_trials::{FalseScore, FaultScore, GoalVerdict, Score, Set, Share, Size};

use super::Evaluated;

/// What the figures were made with.
pub(crate) struct Table {
    pub(crate) date: String,
    pub(crate) set: Set,
    /// What was really played.
    pub(crate) size: Size,
    pub(crate) build: String,
    pub(crate) settings: String,
    pub(crate) settings_digest: String,
}

impl Table {
    /// The whole document.
    pub(crate) fn text(&self, evaluated: &[Evaluated]) -> String {
        let Size { cases, fault_free_runs } = self.size;
        let mut text = format!(
            "# What the detector finds\n\nWritten by `airvalve evaluate --table`, not by hand.\n\n\
             | | |\n| --- | --- |\n| date | {} |\n| set | {} |\n| cases of each fault, on each model | {cases} |\n\
             | fault-free runs, on each model | {fault_free_runs} |\n| build | {} |\n\
             | detector settings | {}, digest {} |\n",
            self.date,
            self.set.name(),
            self.build,
            self.settings,
            self.settings_digest,
        );
        for it in evaluated {
            let seeds = &it.seeds;
            let _ =
                write!(text, "\n## On the {} model, seeds {} to {}\n\n", it.model.name(), seeds.start, seeds.end - 1);
            text += &found(&it.score);
            text += &false_alarms(&it.score);
        }
        text
    }
}

fn found(score: &Score) -> String {
    let mut text = "Shown: its evidence was complete, and the time allowed had run out, before the end. Found: in that \
                    time. Delay: from complete evidence to the alarm, min. Intervals are exact (Clopper-Pearson, Garwood), \
                    95 %. A goal is held or not by the share or rate itself; `not shown` where fewer than 20 cases or \
                    less than a valve-year were there to judge by.\n\n\
                    | fault | shown of | found | share, % | interval, % | goal, % | | delay, median | 95 % | other instead | \
                    beside |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n"
        .to_owned();
    score.faults.iter().for_each(|fault| text += &fault_row(fault));
    let wrong = &score.wrong_kind;
    let _ = write!(
        text,
        "\nAnother fault named instead: {} of {}, {} % ({}); goal at most {} %: {}.\n\n",
        wrong.count,
        wrong.of,
        percent(wrong.share),
        interval(wrong),
        percent(Some(wrong.goal)),
        verdict(Some(wrong.verdict)),
    );
    text
}

fn fault_row(fault: &FaultScore) -> String {
    let minutes = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.0}"));
    let found = &fault.found;
    format!(
        "| {} | {} of {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |\n",
        fault.fault,
        found.of,
        fault.cases,
        found.count,
        percent(found.share),
        interval(found),
        percent(Some(found.goal)),
        verdict(Some(found.verdict)),
        minutes(fault.delay_median_min),
        minutes(fault.delay_p95_min),
        fault.wrong,
        fault.beside,
    )
}

fn false_alarms(score: &Score) -> String {
    let mut text = "| false alarms | count | fault-free valve-years | a year | interval | goal | | of which |\n\
                    | --- | --- | --- | --- | --- | --- | --- | --- |\n"
        .to_owned();
    score.false_alarms.iter().for_each(|alarms| text += &false_row(alarms));
    text
}

fn false_row(alarms: &FalseScore) -> String {
    let number = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.2}"));
    let by_fault: Vec<String> = alarms.by_fault.iter().map(|(fault, count)| format!("{fault} {count}")).collect();
    format!(
        "| {} | {} | {:.2} | {} | {}-{} | {} | {} | {} |\n",
        alarms.alarms,
        alarms.count,
        alarms.valve_years,
        number(alarms.per_year),
        number(alarms.per_year_low),
        number(alarms.per_year_high),
        number(alarms.goal_per_year),
        verdict(alarms.verdict),
        by_fault.join(", "),
    )
}

fn percent(share: Option<f64>) -> String {
    share.map_or("-".to_owned(), |share| format!("{:.1}", 100.0 * share))
}

fn interval(share: &Share) -> String {
    format!("{}-{}", percent(Some(share.low)), percent(Some(share.high)))
}

fn verdict(verdict: Option<GoalVerdict>) -> &'static str {
    match verdict {
        Some(GoalVerdict::Held) => "held",
        Some(GoalVerdict::NotHeld) => "NOT held",
        Some(GoalVerdict::NotShown) => "not shown",
        None => "",
    }
}
