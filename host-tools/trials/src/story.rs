//! What happens beside a fault: events that look like faults and are none, losses, clock steps.

use std::fmt::Write as _;

use crate::{
    draw::{Draw, rounded},
    valve::Valve,
};

/// Least vacuum that a column draws as it runs off, kPa.
const LEAST_DRIVE_KPA: f64 = 35.0;

/// Tables of a scenario, one after another.
#[derive(Default)]
pub(crate) struct Story {
    pub(crate) tables: String,
}

impl Story {
    /// Adds `[[event]]`.
    pub(crate) fn event(&mut self, kind: &str, at_h: f64, keys: &str) {
        let _ = write!(self.tables, "[[event]]\nkind = \"{kind}\"\nat = {:?}\n{keys}", rounded(at_h, 4));
    }

    /// The main drains at the high point and fills again; the column draws at least so deep a vacuum.
    fn drain(&mut self, draw: &mut Draw, valve: &Valve, at_h: f64, is_burst: bool, least_drive_kpa: f64) {
        let (kind, flow, fall_s) =
            if is_burst { ("burst", 1.0..2.0, 1.0..6.0) } else { ("drain-down", 0.2..0.7, 8.0..40.0) };
        let flow_l_s = valve.flow_l_s * draw.between(flow.start, flow.end);
        let keys = format!(
            "flow_l_s = {:?}\nvolume_m3 = {:?}\ndrive_kpa = {:?}\nfall_s = {:?}\nrefill_after_h = {:?}\nrefill_flow_l_s = {:?}\n",
            rounded(flow_l_s, 2),
            rounded(1e-3 * flow_l_s * draw.between(60.0, 200.0), 3),
            rounded(draw.between(least_drive_kpa, 80.0), 0),
            rounded(draw.between(fall_s.start, fall_s.end), 1),
            rounded(draw.between(0.3, 1.2), 3),
            rounded(valve.flow_l_s * draw.between(0.3, 0.7), 2),
        );
        self.event(kind, at_h, &keys);
    }

    /// A drain-down or a burst between two times.
    pub(crate) fn drain_within(&mut self, draw: &mut Draw, valve: &Valve, (from_h, to_h): (f64, f64)) {
        let (at_h, is_burst) = (draw.between(from_h, to_h), draw.chance(0.35));
        self.drain(draw, valve, at_h, is_burst, LEAST_DRIVE_KPA);
    }

    /// The same, with a vacuum behind it that tells something whatever the transmitter's zero.
    pub(crate) fn deep_drain_within(&mut self, draw: &mut Draw, valve: &Valve, (from_h, to_h): (f64, f64)) {
        let (at_h, is_burst) = (draw.between(from_h, to_h), draw.chance(0.35));
        let least_kpa = LEAST_DRIVE_KPA.max(1.3 * valve.telling_vacuum_kpa()).min(75.0);
        self.drain(draw, valve, at_h, is_burst, least_kpa);
    }

    /// Look-alikes of faults over some hours, the first after `from_h`; on average so many a day.
    pub(crate) fn look_alikes(&mut self, draw: &mut Draw, valve: &Valve, from_h: f64, to_h: f64, per_day: f64) {
        let mut at_h = from_h;
        loop {
            // Spaced so that one is over before the next begins.
            at_h += 2.0 + draw.between(0.0, 2.0) * (24.0 / per_day - 2.0).max(0.1);
            if at_h >= to_h - 2.0 {
                return;
            }
            match draw.pick(0, &[1, 2, 3, 4, 5, 6, 6, 7, 7, 8, 8, 9, 10]) {
                0 => {
                    let keys = format!(
                        "duration_h = {:?}\nsurge_kpa = {:?}\n",
                        rounded(draw.log_between(0.05, 1.0), 3),
                        rounded(draw.between(0.3, 1.0) * valve.working_kpa, 1)
                    );
                    self.event("pump-trip", at_h, &keys);
                }
                1 => self.spell(draw, "storm", at_h, (1.5, 4.0)),
                2 => self.spell(draw, "quiet", at_h, (0.02, 0.3)),
                3 => self.drain(draw, valve, at_h, false, LEAST_DRIVE_KPA),
                4 => self.drain(draw, valve, at_h, true, LEAST_DRIVE_KPA),
                5 => {
                    let keys = format!("duration_h = {:?}\n", rounded(draw.between(0.1, 1.0), 3));
                    self.event("cover-open", at_h, &keys);
                }
                7 => self.change_over(draw, at_h),
                8 => self.far_burst(draw, valve, at_h),
                9 => self.other_level(draw, valve, at_h),
                10 => {
                    let keys = format!("duration_h = {:?}\n", rounded(draw.between(0.5, 8.0), 2));
                    self.event("flood", at_h, &keys);
                }
                _ => {
                    let keys = format!(
                        "volume_m3 = {:?}\nspread_s = {:?}\n",
                        rounded(draw.log_between(0.05, 1.0) * valve.largest_pocket_m3, 4),
                        rounded(draw.log_between(10.0, 200.0), 0)
                    );
                    self.event("pocket", at_h, &keys);
                }
            }
        }
    }

    /// Another pump takes over for some hours, with another pressure.
    fn change_over(&mut self, draw: &mut Draw, at_h: f64) {
        let factor = rounded(draw.log_between(0.6, 1.3), 3);
        let keys = format!("duration_h = {:?}\nfactor = {factor:?}\n", rounded(draw.between(3.0, 24.0), 2));
        self.event("change-over", at_h, &keys);
    }

    /// A burst far away: the pressure falls fast, and the main stays full.
    fn far_burst(&mut self, draw: &mut Draw, valve: &Valve, at_h: f64) {
        let keys = format!(
            "duration_h = {:?}\nby_kpa = {:?}\nfall_s = {:?}\n",
            rounded(draw.between(0.2, 3.0), 2),
            rounded(-draw.between(0.1, 0.4) * valve.static_kpa, 1),
            rounded(draw.log_between(2.0, 60.0), 1)
        );
        self.event("pressure-shift", at_h, &keys);
    }

    /// The level that the main works against goes up or down over hours.
    fn other_level(&mut self, draw: &mut Draw, valve: &Valve, at_h: f64) {
        let keys = format!(
            "duration_h = {:?}\nby_kpa = {:?}\nfall_s = {:?}\n",
            rounded(draw.between(6.0, 48.0), 2),
            rounded(draw.pick(1.0, &[-1.0]) * draw.between(0.02, 0.1) * valve.static_kpa, 1),
            rounded(3600.0 * draw.between(1.0, 8.0), 0)
        );
        self.event("pressure-shift", at_h, &keys);
    }

    fn spell(&mut self, draw: &mut Draw, kind: &str, at_h: f64, factor: (f64, f64)) {
        let keys = format!(
            "duration_h = {:?}\nfactor = {:?}\n",
            rounded(draw.between(1.0, 8.0), 2),
            rounded(draw.between(factor.0, factor.1), 3)
        );
        self.event(kind, at_h, &keys);
    }

    /// Lost samples, gaps and clock steps; returns what a person would call them.
    pub(crate) fn losses(&mut self, draw: &mut Draw, hours: f64) -> Vec<String> {
        let mut traits = Vec::new();
        if draw.chance(0.25) {
            let loss_pct = rounded(draw.log_between(0.02, 5.0), 2);
            let _ = write!(self.tables, "[sampling]\nloss_pct = {loss_pct:?}\n");
            traits.push(format!("{loss_pct} % lost"));
        } else if draw.chance(0.2) {
            let repeat_pct = rounded(draw.log_between(0.02, 5.0), 2);
            let _ = write!(self.tables, "[sampling]\nrepeat_pct = {repeat_pct:?}\n");
            traits.push(format!("{repeat_pct} % come twice"));
        }
        if draw.chance(0.2) {
            for _ in 0..1 + (hours / 24.0) as usize {
                let from_h = draw.between(0.2, hours);
                let to_h = from_h + draw.log_between(0.003, 0.5);
                let _ = write!(
                    self.tables,
                    "[[gap]]\nfrom = {:?}\nto = {:?}\n",
                    rounded(from_h, 4),
                    rounded(to_h, 4) + 0.001
                );
            }
            traits.push("gaps".into());
        }
        if draw.chance(0.12) {
            let by_s = draw.pick(1.0, &[-1.0]) * draw.log_between(0.5, 120.0);
            let at_h = draw.between(0.5, hours);
            let _ = write!(self.tables, "[[clock_step]]\nat = {:?}\nby_s = {:?}\n", rounded(at_h, 4), rounded(by_s, 1));
            traits.push(format!("clock set by {by_s:.0} s"));
        }
        traits
    }
}
