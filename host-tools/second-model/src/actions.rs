//! The scenario's events as single actions in the order of time.

use airvalve_simulator::{
    ScenarioError,
    scenario::{Event, Happening},
};
use airvalve_site::Site;

/// What is done to the plant at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Action {
    /// Air arrives: m3 at line pressure, s.
    Pocket {
        volume_m3: f64,
        spread_s: f64,
    },
    /// The pipe drains: flow at atmospheric pressure, deepest vacuum, time constant, volume.
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
    /// The pump stops and is locked out.
    Trip {
        surge_pa: f64,
    },
    Unlock,
    InflowFactor(f64),
    Isolate(bool),
    Cover(bool),
    Flood(bool),
    /// The pressure that the next pump to start makes, over the usual one.
    Rise(f64),
    /// Where the main's pressure goes, and how fast.
    Shift {
        by_pa: f64,
        fall_s: f64,
    },
}

/// Actions still to come.
#[derive(Clone, Debug)]
pub(crate) struct Actions {
    /// When, s after the start; the latest first.
    queue: Vec<(f64, Action)>,
    next_s: f64,
}

impl Actions {
    pub(crate) fn new(events: &[Event], site: &Site, is_empty_at_start: bool) -> Result<Actions, ScenarioError> {
        let mut is_drained = is_empty_at_start;
        let mut in_order: Vec<&Event> = events.iter().collect();
        in_order.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        for event in in_order {
            match event.what {
                Happening::Drain { .. } => is_drained = true,
                Happening::Refill { .. } if !is_drained => {
                    return Err(event.place.contradiction("refill".to_owned(), "nothing has drained before it"));
                }
                _ => {}
            }
        }
        let mut queue: Vec<(f64, Action)> = events.iter().flat_map(|event| actions_of(event, site)).collect();
        queue.sort_by(|a, b| b.0.total_cmp(&a.0));
        let next_s = queue.last().map_or(f64::INFINITY, |(at_s, _)| *at_s);
        Ok(Actions { queue, next_s })
    }

    /// When the next action is due, s after the start.
    pub(crate) fn next_s(&self) -> f64 {
        self.next_s
    }

    /// The next action, if it is due.
    pub(crate) fn due(&mut self, now_s: f64) -> Option<Action> {
        if now_s < self.next_s {
            return None;
        }
        let action = self.queue.pop().map(|(_, action)| action);
        self.next_s = self.queue.last().map_or(f64::INFINITY, |(at_s, _)| *at_s);
        action
    }
}

fn actions_of(event: &Event, site: &Site) -> Vec<(f64, Action)> {
    let at_s = event.at_s;
    let spell = |duration_s: f64, begin: Action, end: Action| vec![(at_s, begin), (at_s + duration_s, end)];
    let flow_m3_s = |given_l_s: Option<f64>, share: f64| 1e-3 * given_l_s.unwrap_or(share * site.line.flow_l_s);
    match event.what {
        Happening::Pocket { volume_m3, spread_s } => vec![(at_s, Action::Pocket { volume_m3, spread_s })],
        Happening::Drain { is_burst, flow_l_s, volume_m3, drive_kpa, fall_s, refill_after_s, refill_flow_l_s } => {
            let (share, seconds) = if is_burst { (2.0, 100.0) } else { (0.5, 120.0) };
            let flow = flow_m3_s(flow_l_s, share);
            let volume_m3 = volume_m3.unwrap_or(seconds * flow);
            let drain = Action::Drain { is_burst, flow_m3_s: flow, drive_pa: 1e3 * drive_kpa, fall_s, volume_m3 };
            let fill = Action::Fill { flow_m3_s: flow_m3_s(refill_flow_l_s, 0.5) };
            let refill = refill_after_s.map(|after_s| (at_s + after_s, fill));
            std::iter::once((at_s, drain)).chain(refill).collect()
        }
        Happening::Refill { flow_l_s } => vec![(at_s, Action::Fill { flow_m3_s: flow_m3_s(flow_l_s, 0.5) })],
        Happening::PumpTrip { duration_s, surge_kpa } => {
            let surge_pa = 1e3 * surge_kpa.unwrap_or(0.9 * site.line.working_kpa);
            spell(duration_s, Action::Trip { surge_pa }, Action::Unlock)
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
