//! Watches the plant step by step and writes down the truth.

use crate::{
    air::NORMAL_LITRE_KG,
    body::{Body, LARGE, SECOND, SMALL},
    station::MainState,
    truth::{
        AirTruth, ByOrifice, CycleTruth, DrainTruth, EventsTruth, FillTruth, HourTruth, Moment, PocketTruth, PumpTruth,
        SlamTruth, StateSeconds, VacuumTruth,
    },
};

const HOUR_US: i64 = 3_600_000_000;
/// A vacuum counts below this pressure, Pa gauge, and from this length, s.
const VACUUM_PA: f64 = -5_000.0;
const VACUUM_S: f64 = 2.0;
/// How long after the large orifice shuts its peak is looked for, s.
const SLAM_S: f64 = 10.0;
/// A pocket has gone when the liquid stands as high again, of the stroke: a pump start alone must not split it.
const POCKET_ENDS_ABOVE: f64 = 0.3;
/// An orifice freer than this counts as open when the float opens it.
const FREE: f64 = 0.01;

#[derive(Clone, Debug)]
struct OpenCycle {
    from_s: f64,
    released_kg: [f64; 2],
    start: f64,
    used: [bool; 2],
    is_fill: bool,
}

#[derive(Clone, Debug)]
struct OpenSlam {
    at_s: f64,
    peak_s: f64,
    peak_pa: f64,
    line_peak_pa: f64,
}

/// A spell that goes on: since when, s, and its extreme.
#[derive(Clone, Copy, Debug)]
struct Spell {
    from_s: f64,
    extreme: f64,
}

#[derive(Clone, Debug)]
pub(crate) struct Recorder {
    start_us: i64,
    held_at_start_kg: f64,
    arrived_kg: f64,
    cycle: Option<OpenCycle>,
    cycles: Vec<CycleTruth>,
    pub(crate) events: EventsTruth,
    slam: Option<OpenSlam>,
    vacuum: Option<Spell>,
    pocket: Option<Spell>,
    /// Air let out and taken in when the running drain or fill began, kg.
    at_drain: (f64, f64),
    least_pa: f64,
    hour: (i64, f64, f64),
    hours: Vec<HourTruth>,
    pub(crate) pump: PumpTruth,
    states: StateSeconds,
}

pub(crate) fn released_kg(body: &Body) -> f64 {
    body.seats.iter().map(|seat| seat.released_kg).sum()
}

pub(crate) fn admitted_kg(body: &Body) -> f64 {
    body.seats.iter().map(|seat| seat.admitted_kg).sum()
}

fn nl(mass_kg: f64) -> f64 {
    mass_kg / NORMAL_LITRE_KG
}

impl Recorder {
    pub(crate) fn new(start_us: i64, body: &Body) -> Recorder {
        Recorder {
            start_us,
            held_at_start_kg: body.air_kg,
            arrived_kg: 0.0,
            cycle: None,
            cycles: Vec::new(),
            events: EventsTruth::default(),
            slam: None,
            vacuum: None,
            pocket: None,
            at_drain: (0.0, 0.0),
            least_pa: 0.0,
            hour: (start_us.div_euclid(HOUR_US), 0.0, 0.0),
            hours: Vec::new(),
            pump: PumpTruth::default(),
            states: StateSeconds::default(),
        }
    }

    pub(crate) fn arrived_nl(&self) -> f64 {
        nl(self.arrived_kg)
    }

    pub(crate) fn moment(&self, t: f64) -> Moment {
        Moment(self.start_us + libm::rint(1e6 * t) as i64)
    }

    /// After each step of the physics; `t` is its end.
    #[inline]
    pub(crate) fn step(&mut self, t: f64, dt: f64, body: &Body, main: MainState, arrival_kg: f64) {
        self.arrived_kg += arrival_kg;
        self.count_state(dt, body, main);
        let release_open = |i: usize| body.seats[i].is_open && body.seats[i].free_share > FREE;
        if self.cycle.is_some() || release_open(SMALL) || release_open(SECOND) {
            self.follow_cycle(t, body, main, [release_open(SMALL), release_open(SECOND)]);
        }
        let gauge_pa = body.gauge_pa();
        if gauge_pa < VACUUM_PA || self.vacuum.is_some() {
            self.follow_vacuum(t, gauge_pa);
        }
        if self.slam.is_some() {
            self.follow_slam(t, body);
        }
        if main == MainState::Full && (body.is_pocket() || self.pocket.is_some()) {
            self.follow_pocket(t, body);
        }
        self.least_pa = self.least_pa.min(gauge_pa);
    }

    fn count_state(&mut self, dt: f64, body: &Body, main: MainState) {
        let states = &mut self.states;
        let gauge_pa = body.gauge_pa();
        let large = &body.seats[LARGE];
        let large_is_open = large.is_open && large.free_share > FREE;
        let is_passing = body.has_open_seat && (body.riser_m3_s.abs() > 1e-6);
        let slot = if is_passing && gauge_pa < -1.0 {
            &mut states.admitting_s
        } else if large_is_open && main == MainState::Filling {
            &mut states.filling_s
        } else if large_is_open && body.level < 0.0 {
            &mut states.empty_s
        } else if body.has_open_seat && body.is_cushion_lost() {
            &mut states.spilling_s
        } else if body.seats.iter().any(|seat| seat.is_open && seat.free_share > FREE) {
            &mut states.releasing_s
        } else {
            &mut states.sealed_s
        };
        *slot += dt;
    }

    fn follow_cycle(&mut self, t: f64, body: &Body, main: MainState, open: [bool; 2]) {
        let large_is_open = body.seats[LARGE].is_open && body.seats[LARGE].free_share > FREE;
        let released_kg = [SMALL, SECOND].map(|i| body.seats[i].released_kg);
        let cycle = self.cycle.get_or_insert(OpenCycle {
            from_s: t,
            released_kg,
            start: body.float.position,
            used: [false; 2],
            is_fill: false,
        });
        cycle.used = [cycle.used[0] | open[0], cycle.used[1] | open[1]];
        // Below the reopening pressure of a main that is not full, what passes is part of a drain or a fill.
        cycle.is_fill |= large_is_open || (main != MainState::Full && body.gauge_pa() < body.seats[LARGE].reopen_pa);
        if !open[0] && !open[1] {
            let cycle = cycle.clone();
            self.cycle = None;
            self.close_cycle(cycle, Some(t), body);
        }
    }

    fn close_cycle(&mut self, cycle: OpenCycle, to_s: Option<f64>, body: &Body) {
        if cycle.is_fill {
            return;
        }
        let released_kg: f64 =
            [SMALL, SECOND].iter().zip(cycle.released_kg).map(|(i, before)| body.seats[*i].released_kg - before).sum();
        let names = ["small", "second"].into_iter().zip(cycle.used);
        self.cycles.push(CycleTruth {
            from: self.moment(cycle.from_s),
            to: to_s.map(|to_s| self.moment(to_s)),
            released_nl: nl(released_kg),
            start_pct: 100.0 * cycle.start,
            end_pct: 100.0 * body.float.position,
            orifices: names.filter_map(|(name, used)| used.then_some(name)).collect(),
        });
    }

    fn follow_vacuum(&mut self, t: f64, gauge_pa: f64) {
        if gauge_pa < VACUUM_PA {
            let spell = self.vacuum.get_or_insert(Spell { from_s: t, extreme: gauge_pa });
            spell.extreme = spell.extreme.min(gauge_pa);
        } else if let Some(spell) = self.vacuum.take() {
            self.close_vacuum(spell, Some(t), t);
        }
    }

    /// `to_s` is its end, none where it goes on at the end of the data; it has lasted until `last_s`.
    fn close_vacuum(&mut self, spell: Spell, to_s: Option<f64>, last_s: f64) {
        if last_s - spell.from_s >= VACUUM_S {
            let vacuum = VacuumTruth {
                from: self.moment(spell.from_s),
                to: to_s.map(|to_s| self.moment(to_s)),
                least_kpa: 1e-3 * spell.extreme,
            };
            self.events.vacuums.push(vacuum);
        }
    }

    fn follow_pocket(&mut self, t: f64, body: &Body) {
        let below_m3 = -body.level * body.stroke_m3;
        if body.is_pocket() {
            let spell = self.pocket.get_or_insert(Spell { from_s: t, extreme: 0.0 });
            spell.extreme = spell.extreme.max(below_m3);
        } else if let Some(spell) = self.pocket.filter(|_| body.level > POCKET_ENDS_ABOVE) {
            self.pocket = None;
            self.close_pocket(spell, Some(t));
        }
    }

    fn close_pocket(&mut self, spell: Spell, to_s: Option<f64>) {
        let pocket = PocketTruth {
            from: self.moment(spell.from_s),
            to: to_s.map(|to_s| self.moment(to_s)),
            greatest_m3: spell.extreme,
        };
        self.events.pockets.push(pocket);
    }

    /// The large orifice has shut at the end of a fill.
    pub(crate) fn large_shut(&mut self, t: f64, body: &Body) {
        if body.seats[LARGE].free_share <= FREE {
            return;
        }
        self.slam = Some(OpenSlam {
            at_s: t,
            peak_s: t,
            peak_pa: body.gauge_pa(),
            line_peak_pa: body.junction_pa - body.p_atm_pa,
        });
    }

    fn follow_slam(&mut self, t: f64, body: &Body) {
        let gauge_pa = body.gauge_pa();
        let Some(slam) = &mut self.slam else { return };
        slam.line_peak_pa = slam.line_peak_pa.max(body.junction_pa - body.p_atm_pa);
        if gauge_pa > slam.peak_pa {
            (slam.peak_pa, slam.peak_s) = (gauge_pa, t);
        }
    }

    /// Ends the watch for a slam's peak when its time is over; `settles_pa` is where the main settles, Pa gauge.
    #[inline]
    pub(crate) fn end_slam(&mut self, t: f64, settles_pa: f64) {
        if self.slam.as_ref().is_none_or(|slam| t < slam.at_s + SLAM_S) {
            return;
        }
        if let Some(slam) = self.slam.take() {
            let slam = SlamTruth {
                at: self.moment(slam.at_s),
                peak_at: self.moment(slam.peak_s),
                peak_kpa: 1e-3 * slam.peak_pa,
                above_kpa: 1e-3 * (slam.peak_pa - settles_pa),
                line_peak_kpa: 1e-3 * slam.line_peak_pa,
            };
            self.events.slams.push(slam);
        }
    }

    pub(crate) fn drain_began(&mut self, t: f64, is_burst: bool, body: &Body) {
        self.at_drain = (released_kg(body), admitted_kg(body));
        self.least_pa = body.gauge_pa();
        let from = self.moment(t);
        self.events.drains.push(DrainTruth { from, to: None, is_burst, admitted_nl: 0.0, least_kpa: 0.0 });
    }

    pub(crate) fn drain_ended(&mut self, t: f64, body: &Body) {
        let to = self.moment(t);
        if let Some(drain) = self.events.drains.last_mut().filter(|drain| drain.to.is_none()) {
            drain.to = Some(to);
            drain.admitted_nl = nl(admitted_kg(body) - self.at_drain.1);
            drain.least_kpa = 1e-3 * self.least_pa;
        }
    }

    pub(crate) fn fill_began(&mut self, t: f64, body: &Body) {
        self.at_drain = (released_kg(body), admitted_kg(body));
        let from = self.moment(t);
        self.events.fills.push(FillTruth { from, to: None, released_nl: 0.0 });
    }

    pub(crate) fn fill_ended(&mut self, t: f64, body: &Body) {
        let to = self.moment(t);
        if let Some(fill) = self.events.fills.last_mut().filter(|fill| fill.to.is_none()) {
            fill.to = Some(to);
            fill.released_nl = nl(released_kg(body) - self.at_drain.0);
        }
    }

    /// Once a sample: the hours.
    pub(crate) fn sample(&mut self, t: f64, body: &Body) {
        let hour = self.moment(t).0.div_euclid(HOUR_US);
        if hour > self.hour.0 {
            self.close_hour(hour, body);
        }
    }

    fn close_hour(&mut self, next: i64, body: &Body) {
        let (hour, released, admitted) = self.hour;
        let now = (released_kg(body), admitted_kg(body));
        self.hours.push(HourTruth {
            from: Moment(hour * HOUR_US),
            released_nl: nl(now.0 - released),
            admitted_nl: nl(now.1 - admitted),
        });
        self.hour = (next, now.0, now.1);
    }

    /// Closes what is still open and hands out what was recorded.
    pub(crate) fn finish(
        mut self,
        t: f64,
        body: &Body,
    ) -> (AirTruth, Vec<CycleTruth>, EventsTruth, PumpTruth, StateSeconds) {
        if let Some(cycle) = self.cycle.take() {
            self.close_cycle(cycle, None, body);
        }
        if let Some(spell) = self.vacuum.take() {
            self.close_vacuum(spell, None, t);
        }
        if let Some(spell) = self.pocket.take() {
            self.close_pocket(spell, None);
        }
        self.end_slam(f64::INFINITY, body.gauge_pa());
        self.close_running_drain(body);
        if self.moment(t).0 > self.hour.0 * HOUR_US {
            self.close_hour(self.hour.0 + 1, body);
        }
        let released = |i: usize| nl(body.seats[i].released_kg);
        let air = AirTruth {
            released_nl: nl(released_kg(body)),
            released_by_orifice: ByOrifice {
                large_nl: released(LARGE),
                small_nl: released(SMALL),
                second_nl: released(SECOND),
            },
            admitted_nl: nl(admitted_kg(body)),
            arrived_nl: nl(self.arrived_kg),
            held_at_start_nl: nl(self.held_at_start_kg),
            held_at_end_nl: nl(body.air_kg),
            by_hour: self.hours,
        };
        (air, self.cycles, self.events, self.pump, self.states)
    }

    /// A drain or fill that goes on at the end has no `to`, but what has passed so far counts.
    fn close_running_drain(&mut self, body: &Body) {
        if let Some(drain) = self.events.drains.last_mut().filter(|drain| drain.to.is_none()) {
            drain.admitted_nl = nl(admitted_kg(body) - self.at_drain.1);
            drain.least_kpa = 1e-3 * self.least_pa;
        }
        if let Some(fill) = self.events.fills.last_mut().filter(|fill| fill.to.is_none()) {
            fill.released_nl = nl(released_kg(body) - self.at_drain.0);
        }
    }
}
