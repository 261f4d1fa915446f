//! The detector of one valve: one sample in, what has changed out.

mod service;

use airvalve_sensors::{Channel, CodeSample, Contacts, QuantitySample};
use heapless::Vec;

use crate::{
    airflow::normal_litres,
    decision::{AlarmChange, Decisions},
    details,
    evidence::{Context, EvidenceBuilder},
    fault::Fault,
    frame::{Frame, FrameBuilder},
    health::ChannelHealth,
    large::{LargeAir, LargeFrame},
    learned::Learned,
    main_level::MainLevel,
    release::{ARRIVAL_FACTOR, Cycle, ReleaseInput, ReleaseTracker},
    sensor_physics,
    settings::Settings,
    site::SiteData,
    state::{StateTracker, ValveState},
    steps::{StepAnswer, StepInput, StepTracker},
    totals::Totals,
    watched::WatchedChannels,
    zero::ZeroTracker,
};

/// A gap is longer than this many sample periods and than this time, s. Source: the contract for results.
const GAP_PERIODS: f32 = 3.0;
const GAP_S: f32 = 1.0;
/// So many rising samples after a backward jump are a clock that was set. Source: the contract for CSV files.
const RISING_SAMPLES: u8 = 10;
/// After a gap longer than this nothing that was being counted goes on, s.
const LONG_GAP_S: f32 = 600.0;
/// Air in a vault lies within these temperatures, K; outside them a reading is none.
const AIR_K: core::ops::Range<f32> = 230.0..350.0;
/// Length of the means on which evidence is built, s. Common practice: well above the float's and the loop's lag of 0.1 s.
const FRAME_S: f32 = 1.0;
/// What changes from release to release is weighed this often only, s: it costs more than all the rest.
const SLOW_S: f32 = 10.0;
/// Arrival that bounds nothing, before it is known, NL/s.
const UNKNOWN_ARRIVAL_NL_S: f32 = 1e6;
/// Cycles after which the area ratio is known well enough to stand in for the displacement.
const LEAST_RATIOS: f32 = 5.0;

/// Most changes that one sample can bring: one an alarm, a state, a cycle begun and one ended.
pub const MOST_CHANGES: usize = 20;

/// One thing that a sample has changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// The valve is in another state.
    State {
        /// Unix time, microseconds.
        time_us: i64,
        /// State from here on.
        state: ValveState,
    },
    /// A release cycle has ended.
    Cycle(Cycle),
    /// An alarm has changed.
    Alarm(AlarmChange),
}

/// What one sample has changed.
pub type Changes = Vec<Event, MOST_CHANGES>;

/// The detector of one valve.
#[derive(Clone, Debug)]
pub struct Monitor {
    site: SiteData,
    settings: Settings,
    channels: WatchedChannels,
    last_us: Option<i64>,
    /// Rising samples that lie before the last one used, and the last of them.
    behind: u8,
    behind_us: i64,
    /// The last sample used when they began.
    behind_of_us: i64,
    dt_us: i64,
    dt_s: f32,
    /// Since float and pressure were last both there, s.
    pair_dt_s: f32,
    period_s: f32,
    frames: FrameBuilder,
    zero: ZeroTracker,
    vacuum_kpa: f32,
    main_level: MainLevel,
    state: StateTracker,
    releases: ReleaseTracker,
    large: LargeAir,
    steps: StepTracker,
    evidence: EvidenceBuilder,
    decisions: Decisions,
    learned: Learned,
    totals: Totals,
    temperature_k: f32,
    content_noise_nl: f32,
    is_main_filling: bool,
    is_stuck_open: bool,
    /// Float and pressure are read at all: neither repeats itself, jitters or lies outside its band.
    is_valve_read: bool,
    /// By how much the pressure may be misread, times its accuracy.
    pressure_doubt: f32,
    since_slow_s: f32,
}

impl Monitor {
    /// A detector that knows its data sheet and nothing else.
    pub fn new(site: &SiteData, settings: &Settings) -> Monitor {
        Self::with_learned(site, settings, &Learned::from_data_sheet(site))
    }

    /// A detector that goes on from what was learned before.
    pub fn with_learned(site: &SiteData, settings: &Settings, learned: &Learned) -> Monitor {
        let mut monitor = Monitor {
            site: *site,
            settings: *settings,
            channels: WatchedChannels::new(site),
            last_us: None,
            behind: 0,
            behind_us: i64::MAX,
            behind_of_us: i64::MIN,
            dt_us: 0,
            dt_s: 0.0,
            pair_dt_s: 0.0,
            period_s: site.sample_period_s,
            frames: FrameBuilder::default(),
            zero: ZeroTracker::new(site),
            vacuum_kpa: 0.0,
            main_level: MainLevel::default(),
            state: StateTracker::default(),
            large: LargeAir::default(),
            releases: ReleaseTracker::new(site, &settings.evidence, learned),
            steps: StepTracker::new(),
            evidence: EvidenceBuilder::default(),
            decisions: Decisions::new(&settings.decision),
            learned: *learned,
            totals: Totals::default(),
            temperature_k: site.air_temperature_k,
            content_noise_nl: 0.0,
            is_main_filling: false,
            is_stuck_open: false,
            is_valve_read: true,
            pressure_doubt: 0.0,
            // At once: the first release needs to know the noise.
            since_slow_s: SLOW_S,
        };
        monitor.vacuum_kpa = monitor.vacuum_limit_kpa();
        monitor
    }

    /// Takes one sample of codes.
    pub fn step_codes(&mut self, sample: &CodeSample) -> Changes {
        let mut changes = Changes::new();
        self.step_codes_into(sample, &mut changes);
        changes
    }

    /// Takes one sample of codes and adds to `changes`, where it costs too much to hand them over with every sample.
    #[inline(always)]
    pub fn step_codes_into(&mut self, sample: &CodeSample, changes: &mut Changes) {
        if self.advance_clock(sample.time_us) {
            let values = self.channels.take_codes(&sample.codes, self.dt_s);
            self.step(sample.time_us, sample.contacts, values, changes);
        }
    }

    /// Takes one sample of quantities. A sample that is not later than the one before is left out.
    pub fn step_quantities(&mut self, sample: &QuantitySample) -> Changes {
        let mut changes = Changes::new();
        if self.advance_clock(sample.time_us) {
            let values = self.channels.take_quantities(&sample.quantities, self.dt_s);
            self.step(sample.time_us, sample.contacts, values, &mut changes);
        }
        changes
    }

    #[inline(always)]
    fn step(&mut self, time_us: i64, contacts: Contacts, [float_pct, pressure_kpa]: [f32; 2], changes: &mut Changes) {
        // Time goes on for the valve while a reading is missing.
        self.pair_dt_s += self.dt_s;
        if !float_pct.is_nan() && !pressure_kpa.is_nan() && self.is_valve_read {
            self.valve(time_us, float_pct, pressure_kpa - self.learned.zero_kpa, changes);
            self.pair_dt_s = 0.0;
        }
        // No state can be told while float or pressure are missing.
        if self.pair_dt_s <= GAP_S {
            self.totals.add_time(self.state.state(), self.dt_us as u64);
        }
        if self.frames.advance(self.dt_s, contacts, FRAME_S) {
            self.end_frame(time_us, changes);
        }
    }

    /// What has been learned so far.
    pub fn learned(&self) -> &Learned {
        &self.learned
    }

    /// Air and time so far.
    pub fn totals(&self) -> &Totals {
        &self.totals
    }

    /// State of the valve.
    pub fn state(&self) -> ValveState {
        self.state.state()
    }

    /// Evidence of the last frame, 1 at its limit.
    pub fn evidence(&self) -> &EvidenceBuilder {
        &self.evidence
    }

    /// Health of a channel; that of one that is not fitted says nothing.
    pub fn health(&self, channel: Channel) -> Option<&ChannelHealth> {
        self.channels.all.get(channel.index()).map(|watched| &watched.health)
    }

    /// The alarms, for what people do about them.
    pub fn decisions_mut(&mut self) -> &mut Decisions {
        &mut self.decisions
    }

    /// Upper bounds of air through the large orifice, out and in, in the spell that is not over yet, NL.
    pub fn open_large_nl(&self) -> [f32; 2] {
        self.large.unresolved_nl()
    }

    /// Air let out so far by the release that is going on, NL, orifice estimate.
    pub fn open_release_nl(&self) -> f32 {
        self.releases.open_nl()
    }

    /// False when the sample is not later than the one before.
    #[inline(always)]
    fn advance_clock(&mut self, time_us: i64) -> bool {
        let Some(last_us) = self.last_us else {
            self.last_us = Some(time_us);
            self.dt_us = 0;
            self.set_dt(self.period_s);
            return true;
        };
        let dt_us = time_us.wrapping_sub(last_us);
        if dt_us <= 0 {
            return self.is_clock_set_back(time_us, last_us);
        }
        self.last_us = Some(time_us);
        if dt_us != self.dt_us {
            self.change_dt(dt_us);
        }
        true
    }

    /// Some rising samples after a backward jump are a clock that was set; fewer are left out.
    #[inline(never)]
    fn is_clock_set_back(&mut self, time_us: i64, last_us: i64) -> bool {
        // A sample that was used between them ends a run.
        let goes_on = time_us > self.behind_us && last_us == self.behind_of_us;
        self.behind = if goes_on { self.behind.saturating_add(1) } else { 1 };
        self.behind_of_us = last_us;
        self.behind_us = time_us;
        if self.behind < RISING_SAMPLES {
            return false;
        }
        self.behind = 0;
        self.last_us = Some(time_us);
        // How long it really took is not known.
        self.after_gap(0);
        true
    }

    #[inline(never)]
    fn change_dt(&mut self, dt_us: i64) {
        let dt_s = dt_us as f32 * 1e-6;
        if dt_s > (GAP_PERIODS * self.period_s).max(GAP_S) {
            self.after_gap(dt_us);
            return;
        }
        self.dt_us = dt_us;
        self.set_dt(dt_s);
        self.period_s += (dt_s - self.period_s) * 0.05;
    }

    fn set_dt(&mut self, dt_s: f32) {
        self.dt_s = dt_s;
    }

    /// After a gap nothing that needs continuity may go on; what was learned and what stands as an alarm stays.
    fn after_gap(&mut self, dt_us: i64) {
        let is_pause = self.is_pause(dt_us);
        if !is_pause {
            self.totals.gap_us = self.totals.gap_us.wrapping_add(dt_us as u64);
        }
        self.dt_us = 0;
        self.set_dt(self.period_s);
        self.releases.abandon();
        self.pair_dt_s = 0.0;
        self.channels.after_gap();
        self.steps.after_gap();
        let dt_s = dt_us as f32 * 1e-6;
        let is_long = !is_pause && dt_s > LONG_GAP_S;
        self.evidence.after_gap(if is_pause { dt_s } else { 0.0 }, is_long);
        self.zero.after_gap();
        if is_long {
            self.decisions.after_long_gap();
        }
        self.frames = FrameBuilder::default();
    }

    /// A pause between two bursts is by intent, and no samples are lost in it.
    fn is_pause(&self, dt_us: i64) -> bool {
        let pause_s = self.site.burst_every_s - self.site.burst_s;
        let dt_s = dt_us as f32 * 1e-6;
        self.site.burst_every_s > 0.0 && dt_s <= pause_s + (GAP_PERIODS * self.period_s).max(GAP_S)
    }

    /// Float or pressure were missing for a while: what may have left meanwhile is a bound.
    #[inline(never)]
    fn after_blind_time(&mut self) {
        let flow_nl_s = if self.releases.is_open() {
            let kpa = self.site.working_kpa;
            self.site.small.orifice.normal_flow_nl_s(kpa, self.site.p_atm_kpa, self.temperature_k)
        } else {
            self.learned.usual_arrival_nl_s().unwrap_or(0.0)
        };
        self.totals.release_unconfirmed.add_nl(flow_nl_s * self.pair_dt_s);
        self.releases.abandon();
        self.pair_dt_s = self.dt_s;
    }

    /// The fast path: state and release cycles, sample by sample.
    #[inline(always)]
    fn valve(&mut self, time_us: i64, float_pct: f32, pressure_kpa: f32, changes: &mut Changes) {
        let before = self.state.state();
        if self.pair_dt_s > (GAP_PERIODS * self.period_s).max(GAP_S) {
            self.after_blind_time();
        }
        if self.releases.needs(float_pct) {
            self.release(time_us, float_pct, pressure_kpa, changes);
        }
        let is_open = self.releases.is_open();
        let state = self.state.step(
            float_pct,
            pressure_kpa,
            self.pair_dt_s,
            self.vacuum_kpa,
            is_open,
            self.is_main_filling,
            &self.site,
        );
        if state != before {
            let _ = changes.push(Event::State { time_us, state });
        }
    }

    #[inline(never)]
    fn release(&mut self, time_us: i64, float_pct: f32, pressure_kpa: f32, changes: &mut Changes) {
        if self.state.is_large_open() || pressure_kpa <= self.site.reopen_kpa {
            self.releases.abandon();
            return;
        }
        let input = ReleaseInput {
            time_us,
            dt_s: self.pair_dt_s,
            float_pct,
            pressure_kpa,
            temperature_k: self.temperature_k,
            content_noise_nl: self.content_noise_nl,
            arrival_nl_s: self.evidence.arrival_nl_s(),
            usual_arrival_nl_s: self.learned.usual_arrival_nl_s().unwrap_or(UNKNOWN_ARRIVAL_NL_S),
            since_step_s: self.steps.since_step_s,
        };
        let Some(mut cycle) = self.releases.step(&input, &self.site) else {
            return;
        };
        let ratio = &self.learned.area_ratio;
        cycle.settle((ratio.weight >= LEAST_RATIOS).then_some(ratio.recent));
        self.totals.add_cycle(&cycle);
        // Air has left: the float no longer tells what the pressure alone has done.
        self.steps.cancel();
        let is_odour_trusted = self.is_odour_trusted();
        let (learned, evidence) = (&mut self.learned, &mut self.evidence);
        let context = Context {
            site: &self.site,
            settings: &self.settings.evidence,
            surely_open_below_pct: self.releases.surely_open_below_pct(),
            temperature_k: self.temperature_k,
            since_step_s: self.steps.since_step_s,
            is_odour_trusted,
            pressure_doubt: self.pressure_doubt,
        };
        evidence.cycle(&cycle, learned, &context);
        self.releases.learn_positions(&self.site, &self.settings.evidence, &self.learned);
        let _ = changes.push(Event::Cycle(cycle));
    }

    /// The slow path: everything that works on means.
    #[inline(never)]
    fn end_frame(&mut self, time_us: i64, changes: &mut Changes) {
        let state = self.state.state();
        let mut frame = self.frames.take(time_us, state, &self.learned, &self.site, &mut self.channels);
        self.believe_temperature(273.15 + frame.air_c);
        self.is_main_filling = frame.pump.unwrap_or(frame.pressure_kpa > 3.0 * self.learned.zero_uncertainty_kpa);
        let [float, pressure, ..] = &self.channels.all;
        let is_shaken = float.health.is_noisy() && pressure.health.is_noisy();
        for (watched, channel) in self.channels.all.iter_mut().zip(Channel::ALL) {
            if watched.is_fitted {
                let moves_valve = matches!(channel, Channel::FloatPosition | Channel::ChamberPressure);
                watched.health.end_frame(frame.length_s);
                watched.health.count_noise(frame.length_s, is_shaken && moves_valve);
            }
        }
        self.sensor_alarms(&frame, changes);
        let [float, pressure, odour, ..] = &self.channels.all;
        let (float, pressure) = (&float.health, &pressure.health);
        let failed = [float.is_failed(), pressure.is_failed()];
        // A reading that drifts still shows releases, and must be followed to see that it is mended; one that is none
        // does not.
        let unread = [float.is_unread(), pressure.is_unread(), odour.health.is_unread()];
        let values = [&mut frame.float_pct, &mut frame.pressure_kpa, &mut frame.odour_ppm];
        forget(values, unread);
        self.is_valve_read = unread.iter().take(2).all(|is_unread| !is_unread);
        self.follow_pressure(&frame);
        let answer = self.test_float(&frame);
        forget([&mut frame.float_pct, &mut frame.pressure_kpa], failed);
        self.large_orifice(&frame);
        if self.since_slow_s >= SLOW_S {
            self.find_noise(&frame);
        }
        let answer = answer.filter(|_| !frame.float_pct.is_nan() && !frame.pressure_kpa.is_nan());
        self.valve_alarms(&frame, answer, changes);
    }

    fn believe_temperature(&mut self, air_k: f32) {
        let [.., air, _, _] = &self.channels.all;
        if air.health.is_failed() {
            self.temperature_k = self.site.air_temperature_k;
        } else if AIR_K.contains(&air_k) {
            self.temperature_k = air_k;
        }
    }

    fn is_odour_trusted(&self) -> bool {
        let [_, _, odour, ..] = &self.channels.all;
        !odour.health.is_failed()
    }

    /// Zero and usual pressures, also of a reading that drifts.
    fn follow_pressure(&mut self, frame: &Frame) {
        if self.zero.frame(frame, &mut self.learned) {
            self.vacuum_kpa = self.vacuum_limit_kpa();
        }
        if frame.state == ValveState::Sealed && self.since_slow_s >= SLOW_S {
            let (since_s, since_step_s) = (self.since_slow_s, self.steps.since_step_s);
            self.main_level.watch(frame, since_s, since_step_s, &mut self.learned, &self.site);
        }
    }

    fn vacuum_limit_kpa(&self) -> f32 {
        self.settings.evidence.vacuum_kpa.max(3.0 * self.learned.zero_uncertainty_kpa)
    }

    fn large_orifice(&mut self, frame: &Frame) {
        let [_, pressure, ..] = &self.channels.all;
        let noise_squared = pressure.health.noise_squared() / frame.pressure_samples.max(1.0);
        let zero_kpa = self.learned.zero_uncertainty_kpa;
        let state = LargeFrame {
            is_open: self.state.is_large_open(),
            is_at_rest: self.zero.is_at_rest(),
            variance_kpa2: zero_kpa * zero_kpa + noise_squared,
            temperature_k: self.temperature_k,
        };
        self.large.frame(frame, &state, &self.site, &mut self.totals);
        self.totals.release_unconfirmed.add_nl(self.releases.take_unconfirmed_nl());
    }

    /// Through a valve that stands open goes what arrives, beside what the last cushion held; nothing measures it.
    fn bound_open_seat(&mut self, frame: &Frame) {
        let was_open = self.is_stuck_open;
        self.is_stuck_open =
            self.decisions.is_any_standing(&[Fault::JammedLow, Fault::LargeSeatOpen, Fault::SmallSeatOpen]);
        if !self.is_stuck_open {
            return;
        }
        let Some(arrival_nl_s) = self.learned.usual_arrival_nl_s() else { return };
        let (seconds, cushion_nl) = if was_open {
            (frame.length_s, 0.0)
        } else {
            let usual_kpa_abs = self.site.working_kpa + self.site.p_atm_kpa;
            let cushion_l = self.site.air_space_l(0.0);
            (self.evidence.since_cycle_s(), normal_litres(usual_kpa_abs, cushion_l, self.temperature_k))
        };
        self.totals.release_unconfirmed.add_nl(cushion_nl + ARRIVAL_FACTOR * arrival_nl_s * seconds);
    }

    fn find_noise(&mut self, frame: &Frame) {
        if frame.float_pct.is_nan() || frame.pressure_kpa.is_nan() {
            return;
        }
        let [float, pressure, ..] = &self.channels.all;
        let (float, pressure) = (&float.health, &pressure.health);
        let pressure_kpa_abs = (frame.pressure_kpa + self.site.p_atm_kpa).max(1.0);
        let space_l = self.site.air_space_l(frame.float_pct).max(0.01);
        // One root for both: variances add.
        let share_a_pct = 0.01 * self.site.stroke_volume_l / space_l;
        let from_pressure = pressure.noise_squared() / (pressure_kpa_abs * pressure_kpa_abs);
        let from_float = float.noise_squared() * share_a_pct * share_a_pct;
        let content_nl = normal_litres(pressure_kpa_abs, space_l, self.temperature_k);
        self.content_noise_nl = content_nl * libm::sqrtf(from_pressure + from_float);
    }

    fn sensor_alarms(&mut self, frame: &Frame, changes: &mut Changes) {
        self.since_slow_s += frame.length_s;
        if self.since_slow_s >= SLOW_S {
            let (learned, evidence) = (&self.learned, &self.evidence);
            let (site, settings) = (&self.site, &self.settings.evidence);
            sensor_physics::judge(&mut self.channels, frame, self.since_slow_s, learned, evidence, site, settings);
            self.pressure_doubt = sensor_physics::pressure_doubt(learned, site);
            self.channels.all.iter_mut().for_each(|watched| watched.health.watch_slowly(self.since_slow_s));
        }
        for (watched, channel) in self.channels.all.iter_mut().zip(Channel::ALL) {
            if !watched.is_fitted {
                continue;
            }
            let health = &mut watched.health;
            let evidence = health.weigh(frame.length_s, &self.settings.evidence);
            let outcome = self.decisions.sensor_frame(channel, evidence, frame.length_s, &self.settings.decision);
            let Some((fault, state, is_active)) = outcome else {
                continue;
            };
            let _ = changes.push(Event::Alarm(AlarmChange {
                time_us: frame.time_us,
                fault,
                channel: Some(channel),
                state,
                is_active,
                confidence: details::sensor_confidence(fault, evidence.1),
                also_possible: 0,
                evidence: [evidence.1, health.noise(), 0.0, 0.0],
            }));
        }
    }

    /// Takes the frame of a valve that is read, be it by a channel that drifts: a step is one all the same.
    fn test_float(&mut self, frame: &Frame) -> Option<StepAnswer> {
        if frame.float_pct.is_nan() || frame.pressure_kpa.is_nan() {
            return None;
        }
        // A release that ends resets the test; one that only seems to begin (a jammed float makes the content follow the
        // pressure) must not.
        let is_sealed = matches!(frame.state, ValveState::Sealed | ValveState::Releasing);
        let input = StepInput {
            float_pct: frame.float_pct,
            pressure_kpa: frame.pressure_kpa,
            length_s: frame.length_s,
            is_sealed,
        };
        self.steps.frame(&input, &self.site, &self.settings.evidence)
    }

    fn valve_alarms(&mut self, frame: &Frame, answer: Option<StepAnswer>, changes: &mut Changes) {
        let context = Context {
            site: &self.site,
            settings: &self.settings.evidence,
            surely_open_below_pct: self.releases.surely_open_below_pct(),
            temperature_k: self.temperature_k,
            since_step_s: self.steps.since_step_s,
            is_odour_trusted: self.is_odour_trusted(),
            pressure_doubt: self.pressure_doubt,
        };
        if let Some(answer) = answer {
            self.evidence.answer(&answer, frame, &mut self.learned, &context);
        }
        self.evidence.frame(frame, &mut self.learned, &context);
        if self.since_slow_s >= SLOW_S {
            self.since_slow_s = 0.0;
            self.evidence.weigh_fouling(&self.learned, &context);
        }
        if let Some(float_pct) = self.evidence.take_unseen_release_pct() {
            self.releases.look_higher(float_pct);
        }
        self.bound_open_seat(frame);
        let (evidence, learned, settings) = (&self.evidence, &self.learned, &self.settings.evidence);
        self.decisions.valve_frame(
            &evidence.values,
            frame.length_s,
            &self.settings.decision,
            |fault: Fault, state, is_active| {
                let _ = changes.push(Event::Alarm(details::valve_alarm(
                    fault, state, is_active, frame, evidence, learned, settings,
                )));
            },
        );
    }
}

fn forget<const N: usize>(values: [&mut f32; N], which: [bool; N]) {
    for (value, is_forgotten) in values.into_iter().zip(which) {
        if is_forgotten {
            *value = f32::NAN;
        }
    }
}
