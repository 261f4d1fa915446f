//! Writes the truth down, step by step.

use airvalve_simulator::truth::{
    AirTruth, CycleTruth, DrainTruth, EventsTruth, FillTruth, HourTruth, Moment, PocketTruth, PumpTruth, SlamTruth,
    SpellTruth, StateSeconds, VacuumTruth,
};

use crate::{
    gas::NORMAL_LITRE_KG,
    valve::{LARGE, ORIFICES, SECOND, SMALL},
};

/// The plant after a step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Look {
    /// End of the step, s after the start, and its length.
    pub(crate) t_s: f64,
    pub(crate) dt_s: f64,
    pub(crate) out_kg: [f64; ORIFICES],
    pub(crate) liquid_m3: f64,
    pub(crate) chamber_pa: f64,
    pub(crate) line_pa: f64,
    pub(crate) float_pct: f64,
    /// Air below the body, m3; 0 or less where liquid stands in the body.
    pub(crate) below_m3: f64,
    /// Which orifices are lifted or held open.
    pub(crate) is_passing: [bool; ORIFICES],
    pub(crate) main: Main,
}

/// What the main does, as far as the truth tells it apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Main {
    Full,
    Draining,
    Standing,
    Filling,
}

/// The truth so far.
#[derive(Clone, Debug)]
pub(crate) struct Recorder {
    start_us: i64,
    air: AirTruth,
    hour: HourTruth,
    hour_ends_us: i64,
    cycle: Option<CycleTruth>,
    is_main_empty: bool,
    pub(crate) cycles: Vec<CycleTruth>,
    pub(crate) events: EventsTruth,
    pub(crate) pump: PumpTruth,
    pub(crate) states: StateSeconds,
    pub(crate) spilled_m3: f64,
    drain: Option<DrainTruth>,
    fill: Option<FillTruth>,
    pocket: Option<PocketTruth>,
    vacuum: Option<VacuumTruth>,
    slam_until_s: f64,
    working_kpa: f64,
}

const HOUR_US: i64 = 3_600_000_000;
/// Vacuums and pockets count from here. Sources: the truth's own definitions.
const VACUUM_KPA: f64 = -5.0;
const VACUUM_US: i64 = 2_000_000;
const POCKET_M3: f64 = 1e-4;
const POCKET_US: i64 = 1_000_000;
/// A peak counts as the slam's for so long after the large orifice has shut, s.
const SLAM_S: f64 = 10.0;

impl Recorder {
    pub(crate) fn new(start_us: i64, held_nl: f64, working_kpa: f64) -> Recorder {
        let from_us = start_us.div_euclid(HOUR_US) * HOUR_US;
        Recorder {
            start_us,
            air: AirTruth { held_at_start_nl: held_nl, ..AirTruth::default() },
            hour: empty_hour(from_us),
            hour_ends_us: from_us + HOUR_US,
            cycle: None,
            is_main_empty: false,
            cycles: Vec::new(),
            events: EventsTruth::default(),
            pump: PumpTruth::default(),
            states: StateSeconds::default(),
            spilled_m3: 0.0,
            drain: None,
            fill: None,
            pocket: None,
            vacuum: None,
            slam_until_s: f64::NEG_INFINITY,
            working_kpa,
        }
    }

    pub(crate) fn moment(&self, t_s: f64) -> Moment {
        Moment(self.start_us + (t_s * 1e6) as i64)
    }

    /// A step is done.
    #[inline]
    pub(crate) fn step(&mut self, look: &Look) {
        self.count(look);
        let is_quiet = look.main == Main::Full
            && look.is_passing == [false; ORIFICES]
            && look.below_m3 < 0.0
            && look.chamber_pa > 1e3 * VACUUM_KPA;
        if is_quiet
            && self.cycle.is_none()
            && self.pocket.is_none()
            && self.vacuum.is_none()
            && look.t_s > self.slam_until_s
        {
            self.states.sealed_s += look.dt_s;
            self.is_main_empty = false;
            return;
        }
        self.follow_cycle(look);
        self.follow_pocket(look);
        self.follow_vacuum(look);
        self.follow_slam(look);
        *self.state(look) += look.dt_s;
    }

    fn count(&mut self, look: &Look) {
        let now_us = self.start_us + (look.t_s * 1e6) as i64;
        while now_us > self.hour_ends_us {
            self.air.by_hour.push(self.hour);
            self.hour = empty_hour(self.hour_ends_us);
            self.hour_ends_us += HOUR_US;
        }
        self.spilled_m3 += look.liquid_m3;
        if look.out_kg == [0.0; ORIFICES] {
            return;
        }
        let by = &mut self.air.released_by_orifice;
        let mut released_nl = 0.0;
        for (orifice, kg) in look.out_kg.iter().enumerate() {
            let nl = kg / NORMAL_LITRE_KG;
            if nl < 0.0 {
                self.air.admitted_nl -= nl;
                self.hour.admitted_nl -= nl;
                if let Some(drain) = &mut self.drain {
                    drain.admitted_nl -= nl;
                }
                continue;
            }
            released_nl += nl;
            match orifice {
                LARGE => by.large_nl += nl,
                SMALL => by.small_nl += nl,
                _ => by.second_nl += nl,
            }
            if let (Some(cycle), true) = (&mut self.cycle, orifice != LARGE) {
                cycle.released_nl += nl;
            }
        }
        self.air.released_nl += released_nl;
        self.hour.released_nl += released_nl;
        if let Some(fill) = &mut self.fill {
            fill.released_nl += released_nl;
        }
    }

    fn follow_cycle(&mut self, look: &Look) {
        let now = self.moment(look.t_s);
        let is_releasing = look.is_passing[SMALL] || look.is_passing[SECOND];
        // What a fill or a drain has opened is no release, until all is shut again.
        self.is_main_empty = look.main != Main::Full || (self.is_main_empty && is_releasing);
        if self.is_main_empty {
            self.cycle = None;
            return;
        }
        match &mut self.cycle {
            None if is_releasing => {
                self.cycle = Some(CycleTruth {
                    from: now,
                    to: None,
                    released_nl: 0.0,
                    start_pct: look.float_pct,
                    end_pct: look.float_pct,
                    orifices: Vec::new(),
                });
            }
            Some(cycle) if !is_releasing => {
                cycle.to = Some(now);
                self.cycles.extend(self.cycle.take());
            }
            _ => {}
        }
        if let Some(cycle) = &mut self.cycle {
            cycle.end_pct = look.float_pct;
            for (orifice, name) in [(SMALL, "small"), (SECOND, "second")] {
                if look.is_passing[orifice] && !cycle.orifices.contains(&name) {
                    cycle.orifices.push(name);
                }
            }
        }
    }

    fn follow_pocket(&mut self, look: &Look) {
        let now = self.moment(look.t_s);
        let is_there = look.main == Main::Full && look.below_m3 > POCKET_M3;
        match &mut self.pocket {
            None if is_there => {
                self.pocket = Some(PocketTruth { from: now, to: None, greatest_m3: look.below_m3 });
            }
            Some(pocket) if is_there => pocket.greatest_m3 = pocket.greatest_m3.max(look.below_m3),
            Some(pocket) if look.below_m3 <= 0.0 || look.main != Main::Full => {
                pocket.to = Some(now);
                let is_long = now.0 - pocket.from.0 >= POCKET_US;
                self.events.pockets.extend(self.pocket.take().filter(|_| is_long));
            }
            _ => {}
        }
    }

    fn follow_vacuum(&mut self, look: &Look) {
        let now = self.moment(look.t_s);
        let chamber_kpa = 1e-3 * look.chamber_pa;
        match &mut self.vacuum {
            None if chamber_kpa < VACUUM_KPA => {
                self.vacuum = Some(VacuumTruth { from: now, to: None, least_kpa: chamber_kpa });
            }
            Some(vacuum) if chamber_kpa < VACUUM_KPA => vacuum.least_kpa = vacuum.least_kpa.min(chamber_kpa),
            Some(vacuum) => {
                vacuum.to = Some(now);
                let is_long = now.0 - vacuum.from.0 >= VACUUM_US;
                self.events.vacuums.extend(self.vacuum.take().filter(|_| is_long));
            }
            None => {}
        }
        if let Some(drain) = &mut self.drain {
            drain.least_kpa = drain.least_kpa.min(chamber_kpa);
        }
    }

    fn follow_slam(&mut self, look: &Look) {
        let now = self.moment(look.t_s);
        if look.t_s > self.slam_until_s {
            return;
        }
        if let Some(slam) = self.events.slams.last_mut() {
            let chamber_kpa = 1e-3 * look.chamber_pa;
            if chamber_kpa > slam.peak_kpa {
                slam.peak_kpa = chamber_kpa;
                slam.peak_at = now;
                slam.above_kpa = chamber_kpa - self.working_kpa;
            }
            slam.line_peak_kpa = slam.line_peak_kpa.max(1e-3 * look.line_pa);
        }
    }

    fn state(&mut self, look: &Look) -> &mut f64 {
        let states = &mut self.states;
        let out_kg: f64 = look.out_kg.iter().sum();
        if look.liquid_m3 > 0.0 {
            &mut states.spilling_s
        } else if look.chamber_pa < 0.0 && out_kg < 0.0 && look.main != Main::Standing {
            &mut states.admitting_s
        } else if look.main == Main::Filling && look.below_m3 > 0.0 {
            &mut states.filling_s
        } else if look.below_m3 > 0.0 && look.main != Main::Full {
            &mut states.empty_s
        } else if out_kg > 0.0 && (look.is_passing[SMALL] || look.is_passing[SECOND]) {
            &mut states.releasing_s
        } else {
            &mut states.sealed_s
        }
    }

    pub(crate) fn drain_begins(&mut self, t_s: f64, is_burst: bool) {
        let from = self.moment(t_s);
        self.drain = Some(DrainTruth { from, to: None, is_burst, admitted_nl: 0.0, least_kpa: 0.0 });
    }

    pub(crate) fn drain_ends(&mut self, t_s: f64) {
        let to = Some(self.moment(t_s));
        self.events.drains.extend(self.drain.take().map(|drain| DrainTruth { to, ..drain }));
    }

    pub(crate) fn fill_begins(&mut self, t_s: f64) {
        self.drain_ends(t_s);
        self.fill = Some(FillTruth { from: self.moment(t_s), to: None, released_nl: 0.0 });
    }

    /// The main is full; `slams` where the large orifice has shut.
    pub(crate) fn fill_ends(&mut self, t_s: f64, slams: bool) {
        let at = self.moment(t_s);
        let Some(fill) = self.fill.take() else { return };
        self.events.fills.push(FillTruth { to: Some(at), ..fill });
        if slams {
            self.slam_until_s = t_s + SLAM_S;
            let nothing = f64::NEG_INFINITY;
            let slam = SlamTruth { at, peak_at: at, peak_kpa: nothing, above_kpa: nothing, line_peak_kpa: nothing };
            self.events.slams.push(slam);
        }
    }

    pub(crate) fn isolation(&mut self, t_s: f64, is_shut: bool) {
        let now = self.moment(t_s);
        if is_shut {
            self.events.isolations.push(SpellTruth { from: now, to: None });
        } else if let Some(spell) = self.events.isolations.last_mut() {
            spell.to.get_or_insert(now);
        }
    }

    /// Closes the books; what still goes on stays without an end.
    pub(crate) fn finish(&mut self, end_s: f64, arrived_nl: f64, held_nl: f64) -> AirTruth {
        let end = self.moment(end_s);
        self.cycles.extend(self.cycle.take());
        self.events.drains.extend(self.drain.take());
        self.events.fills.extend(self.fill.take());
        self.events.pockets.extend(self.pocket.take().filter(|pocket| end.0 - pocket.from.0 >= POCKET_US));
        let is_long = |vacuum: &VacuumTruth| end.0 - vacuum.from.0 >= VACUUM_US;
        self.events.vacuums.extend(self.vacuum.take().filter(is_long));
        self.air.by_hour.push(self.hour);
        self.air.arrived_nl = arrived_nl;
        self.air.held_at_end_nl = held_nl;
        std::mem::take(&mut self.air)
    }
}

fn empty_hour(from_us: i64) -> HourTruth {
    HourTruth { from: Moment(from_us), released_nl: 0.0, admitted_nl: 0.0 }
}
