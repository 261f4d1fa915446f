//! The events of a scenario as single actions, in the order of time.

use airvalve_site::Site;

use crate::{
    reader::ScenarioError,
    scenario::{Event, Happening},
};

/// What is done to the plant at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Action {
    Pocket {
        volume_m3: f64,
        spread_s: f64,
    },
    Drain {
        is_burst: bool,
        flow_m3_s: f64,
        drive_pa: f64,
        fall_s: f64,
        volume_m3: f64,
    },
    Fill {
        flow_m3_s: f64,
    },
    Trip {
        surge_kpa: Option<f64>,
    },
    ReleasePump,
    InflowFactor(f64),
    Isolate(bool),
    Cover(bool),
    Flood(bool),
    /// The rise of the pressure that the pump makes, from its next start on, over the usual one.
    Rise(f64),
    /// Where the main's pressure goes, over the usual one, and how fast.
    Shift {
        by_pa: f64,
        fall_s: f64,
    },
}

#[derive(Clone, Debug)]
pub(crate) struct Timetable {
    /// When, s, and what; the latest first.
    actions: Vec<(f64, Action)>,
    pub(crate) next_s: f64,
}

impl Timetable {
    pub(crate) fn new(events: &[Event], site: &Site, is_empty_at_start: bool) -> Result<Timetable, ScenarioError> {
        refuse_refill_of_full_main(events, is_empty_at_start)?;
        let mut actions: Vec<(f64, Action)> = events.iter().flat_map(|event| actions_of(event, site)).collect();
        actions.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut timetable = Timetable { actions, next_s: 0.0 };
        timetable.look();
        Ok(timetable)
    }

    fn look(&mut self) {
        self.next_s = self.actions.last().map_or(f64::INFINITY, |next| next.0);
    }

    /// The next action, if it is due.
    pub(crate) fn due(&mut self, now_s: f64) -> Option<Action> {
        if now_s < self.next_s {
            return None;
        }
        let action = self.actions.pop().map(|(_, action)| action);
        self.look();
        action
    }
}

fn refuse_refill_of_full_main(events: &[Event], is_empty_at_start: bool) -> Result<(), ScenarioError> {
    for event in events {
        let is_refill = matches!(event.what, Happening::Refill { .. });
        let drains_before = |other: &Event| matches!(other.what, Happening::Drain { .. }) && other.at_s < event.at_s;
        if is_refill && !is_empty_at_start && !events.iter().any(drains_before) {
            let rule = "nothing has drained before it";
            return Err(event.place.contradiction("refill".to_owned(), rule));
        }
    }
    Ok(())
}

fn actions_of(event: &Event, site: &Site) -> Vec<(f64, Action)> {
    let at_s = event.at_s;
    let site_flow_m3_s = 1e-3 * site.line.flow_l_s;
    let flow = |given: Option<f64>, share: f64| given.map_or(share * site_flow_m3_s, |flow_l_s| 1e-3 * flow_l_s);
    let spell = |duration_s: f64, begins: Action, ends: Action| vec![(at_s, begins), (at_s + duration_s, ends)];
    match event.what {
        Happening::Pocket { volume_m3, spread_s } => vec![(at_s, Action::Pocket { volume_m3, spread_s })],
        Happening::Drain { is_burst, flow_l_s, volume_m3, drive_kpa, fall_s, refill_after_s, refill_flow_l_s } => {
            let (share, seconds) = if is_burst { (2.0, 100.0) } else { (0.5, 120.0) };
            let flow_m3_s = flow(flow_l_s, share);
            let drain = Action::Drain {
                is_burst,
                flow_m3_s,
                drive_pa: 1e3 * drive_kpa,
                fall_s,
                volume_m3: volume_m3.unwrap_or(seconds * flow_m3_s),
            };
            let fill = Action::Fill { flow_m3_s: flow(refill_flow_l_s, 0.5) };
            let refill = refill_after_s.map(|after_s| (at_s + after_s, fill));
            std::iter::once((at_s, drain)).chain(refill).collect()
        }
        Happening::Refill { flow_l_s } => vec![(at_s, Action::Fill { flow_m3_s: flow(flow_l_s, 0.5) })],
        Happening::PumpTrip { duration_s, surge_kpa } => {
            spell(duration_s, Action::Trip { surge_kpa }, Action::ReleasePump)
        }
        Happening::Inflow { duration_s, factor } => {
            spell(duration_s, Action::InflowFactor(factor), Action::InflowFactor(1.0))
        }
        Happening::Isolation { duration_s } => spell(duration_s, Action::Isolate(true), Action::Isolate(false)),
        Happening::Flood { duration_s } => spell(duration_s, Action::Flood(true), Action::Flood(false)),
        Happening::ChangeOver { duration_s, factor } => spell(duration_s, Action::Rise(factor), Action::Rise(1.0)),
        Happening::PressureShift { duration_s, by_kpa, fall_s } => {
            let shift = |by_kpa: f64| Action::Shift { by_pa: 1e3 * by_kpa, fall_s };
            spell(duration_s, shift(by_kpa), shift(0.0))
        }
        Happening::CoverOpen { duration_s } => spell(duration_s, Action::Cover(true), Action::Cover(false)),
    }
}
