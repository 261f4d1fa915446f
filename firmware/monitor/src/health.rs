//! Health of one measuring channel: live range, missing, flat line, rate of change, noise.
//!
//! Every time constant is in seconds, so that 1 Hz and 50 Hz behave alike.

use airvalve_sensors::{Channel, LoopBand, LoopCurrent, Span};

use crate::{fault::Fault, settings::EvidenceSettings};

/// Time constant of the noise estimate, s: longer than the swings after a pump start, which at 1 Hz look like noise.
const NOISE_S: f32 = 60.0;
/// Time after which a tenth of the live range is forgotten, s.
const LIVE_S: f32 = 3600.0;
/// Time constant of the usual noise against which it is held, s.
const USUAL_NOISE_S: f32 = 3600.0;
/// A jump by more than this share of span in one sample must be confirmed by the next one.
const SPIKE_SHARE: f32 = 0.15;
/// How long noise must stand, s: a valve that releases every few seconds shakes the float for minutes.
const NOISY_S: f32 = 240.0;
/// A current outside the measuring band for this long is a failed loop, s; less is a glitch.
const LOOP_S: f32 = 2.0;
/// A channel that failed is trusted again after this time, s.
const WELL_S: f32 = 60.0;
/// A reading that repeats itself for this long teaches no usual noise, s.
const REPEATS_S: f32 = 10.0;
/// Noise below this share of span is no fault, whatever it was before.
const NOISE_FLOOR_SHARE: f32 = 0.006;
/// Nothing in a valve goes and comes back within this time, s, nor in the vault's air within that.
const THERE_AND_BACK_S: f32 = 0.25;
const THERE_AND_BACK_IN_AIR_S: f32 = 5.0;
/// So many readings that went and came back too fast are a fault; they are forgotten with this time constant, s.
const LOST_JUMPS: f32 = 30.0;
const JUMPS_S: f32 = 300.0;
/// The calmest noise is what it stays below for a tenth of the time; time constant with which that is learned, s.
const CALMEST_SHARE: f32 = 0.1;
const CALMEST_S: f32 = 600.0;
/// Noise is gone below this share of the calmest variance, a sixth of its deviation: no plant is so much calmer at once.
const GONE_SHARE: f32 = 1.0 / 36.0;
/// Before so long nobody knows how calm a channel can be, s.
const CALM_KNOWN_S: f32 = 3600.0;

/// Health of one channel.
#[derive(Clone, Copy, Debug)]
pub struct ChannelHealth {
    channel: Channel,
    span: Span,
    measuring_low: f32,
    measuring_high: f32,
    limit_low: f32,
    limit_high: f32,
    /// A larger change must be confirmed.
    jump: f32,
    /// Readings that jumped away, or out of the band, and came back, leaking.
    lost_jumps: f32,
    /// Variances up to this always count as noise.
    least_clip: f32,
    last: f32,
    last_change: f32,
    /// A far reading that waits to be confirmed; NaN when there is none.
    pending: f32,
    has_had_value: bool,
    same_s: f32,
    bad_band: Option<Fault>,
    bad_s: f32,
    missing_s: f32,
    noise_squared: f32,
    /// Squared bends of the frame that runs, how many, and what more than one of them counts for.
    bends: f32,
    bend_count: f32,
    most_bend: f32,
    usual_noise_squared: f32,
    /// Time with values, s; the noise is not judged before it has settled.
    seen_s: f32,
    /// Noise below this variance is no fault.
    noise_floor_squared: f32,
    /// The noise stands above its limit, and for how long, s.
    is_noisy: bool,
    noisy_s: f32,
    /// Variance of the calmest noise, and for how long there was next to none, s.
    calmest_squared: f32,
    hushed_s: f32,
    live_low: f32,
    live_high: f32,
    /// Evidence that another part of the monitor has found (drift, dead cell), with its fault.
    pub from_physics: [f32; 2],
    /// What the channel has failed with, and how long that is gone, s.
    failed: Option<Fault>,
    well_s: f32,
}

impl ChannelHealth {
    /// A channel of which nothing is known yet.
    pub fn new(channel: Channel, span: Span) -> ChannelHealth {
        let at = |ma| LoopCurrent::from_milliamperes(ma).as_quantity(span);
        // Half a code of the usual front end: a current on the limit still counts as measuring.
        let slack = span.width() * 2e-5;
        let least_clip = 1e-6 * SPIKE_SHARE * span.width() * SPIKE_SHARE * span.width();
        ChannelHealth {
            channel,
            span,
            measuring_low: at(LoopCurrent::MEASURING_LOW_MA) - slack,
            measuring_high: at(LoopCurrent::MEASURING_HIGH_MA) + slack,
            limit_low: at(LoopCurrent::MEASURING_LOW_MA) + 10.0 * slack,
            limit_high: at(LoopCurrent::MEASURING_HIGH_MA) - 10.0 * slack,
            jump: SPIKE_SHARE * span.width(),
            lost_jumps: 0.0,
            least_clip,
            last: f32::NAN,
            last_change: 0.0,
            pending: f32::NAN,
            has_had_value: false,
            same_s: 0.0,
            bad_band: None,
            bad_s: 0.0,
            missing_s: 0.0,
            noise_squared: 0.0,
            bends: 0.0,
            bend_count: 0.0,
            most_bend: 6.0 * least_clip,
            usual_noise_squared: 0.0,
            seen_s: 0.0,
            noise_floor_squared: NOISE_FLOOR_SHARE * span.width() * NOISE_FLOOR_SHARE * span.width(),
            is_noisy: false,
            noisy_s: 0.0,
            calmest_squared: 0.0,
            hushed_s: 0.0,
            live_low: f32::MAX,
            live_high: f32::MIN,
            from_physics: [0.0; 2],
            failed: None,
            well_s: 0.0,
        }
    }

    /// Takes one reading; returns the value to go on with, NaN when there is none to trust.
    #[inline(always)]
    pub fn accept(&mut self, reading: f32, dt_s: f32) -> f32 {
        if !(reading >= self.measuring_low && reading <= self.measuring_high) {
            return self.refuse(reading, dt_s);
        }
        let change = reading - self.last;
        if !(change <= self.jump && change >= -self.jump) {
            return self.jump(reading, dt_s);
        }
        self.pending = f32::NAN;
        self.bad_s = 0.0;
        self.missing_s = 0.0;
        if change != 0.0 {
            self.same_s = 0.0;
        } else {
            self.repeat(reading, dt_s);
        }
        // White noise makes second differences of six times its variance; a steady movement makes none, and what moves
        // by jerks is clipped.
        let bend = change - self.last_change;
        self.last_change = change;
        let seen = bend * bend;
        // No `min`: with its care for NaN it costs four times as much, three times a sample.
        self.bends += if seen < self.most_bend { seen } else { self.most_bend };
        self.bend_count += 1.0;
        self.last = reading;
        reading
    }

    /// The same reading again: at the ends of the measuring band a working transmitter repeats its limit.
    #[inline(never)]
    fn repeat(&mut self, reading: f32, dt_s: f32) {
        let is_at_limit = reading < self.limit_low || reading > self.limit_high;
        self.same_s = if is_at_limit { 0.0 } else { self.same_s + dt_s };
    }

    /// A reading far from the one before: held back until the next one lies near it, or on the same side.
    #[inline(never)]
    fn jump(&mut self, reading: f32, dt_s: f32) -> f32 {
        let is_first = self.last.is_nan();
        self.has_had_value = true;
        let is_same_side = (self.pending - self.last) * (reading - self.last) > 0.0;
        let is_too_fast = dt_s <= self.there_and_back_s();
        if is_first || is_same_side {
            // Confirmed: it was none of those that come back.
            if is_same_side && is_too_fast {
                self.lost_jumps = (self.lost_jumps - 1.0).max(0.0);
            }
            self.pending = f32::NAN;
            self.last = reading;
            self.bad_s = 0.0;
            self.missing_s = 0.0;
            self.same_s = 0.0;
            return reading;
        }
        if is_too_fast {
            self.lost_jumps += 1.0;
        }
        self.pending = reading;
        self.last
    }

    fn there_and_back_s(&self) -> f32 {
        if matches!(self.channel, Channel::Odour | Channel::AirTemperature) {
            THERE_AND_BACK_IN_AIR_S
        } else {
            THERE_AND_BACK_S
        }
    }

    #[inline(never)]
    fn refuse(&mut self, reading: f32, dt_s: f32) -> f32 {
        if reading.is_nan() {
            if self.has_had_value {
                self.missing_s += dt_s;
            }
            self.bad_s = 0.0;
            return f32::NAN;
        }
        if self.bad_s == 0.0 {
            self.lost_jumps += 1.0;
        }
        let fault = match LoopCurrent::from_quantity(reading, self.span).band() {
            LoopBand::FailedLow => Fault::WireBreak,
            LoopBand::FailedHigh => Fault::Short,
            _ => Fault::Saturated,
        };
        if self.bad_band != Some(fault) {
            self.bad_s = 0.0;
            self.bad_band = Some(fault);
        }
        self.has_had_value = true;
        self.bad_s += dt_s;
        self.missing_s = 0.0;
        self.last = f32::NAN;
        f32::NAN
    }

    /// Standard deviation of the noise, in the channel's unit.
    pub fn noise(&self) -> f32 {
        libm::sqrtf(self.noise_squared)
    }

    /// Variance of the noise, in the channel's unit squared.
    pub fn noise_squared(&self) -> f32 {
        self.noise_squared
    }

    /// Lets noise and usual noise follow; called once a frame.
    pub fn end_frame(&mut self, frame_s: f32) {
        if self.bend_count > 0.0 {
            let share = (frame_s / NOISE_S).min(1.0);
            self.noise_squared += (self.bends / (6.0 * self.bend_count) - self.noise_squared) * share;
            self.bends = 0.0;
            self.bend_count = 0.0;
        }
        self.most_bend = 6.0 * (9.0 * self.noise_squared + self.least_clip);
        let is_above = self.noise_squared > (16.0 * self.usual_noise_squared).max(self.noise_floor_squared);
        self.is_noisy = is_above && self.seen_s > 10.0 * NOISE_S;
        if !self.last.is_nan() {
            self.live_low = self.live_low.min(self.last);
            self.live_high = self.live_high.max(self.last);
        }
    }

    /// Forgets what was long ago, learns the usual noise and looks for noise that is gone; called every few seconds.
    #[inline(never)]
    pub fn watch_slowly(&mut self, elapsed_s: f32) {
        self.lost_jumps -= self.lost_jumps * (elapsed_s / JUMPS_S).min(1.0);
        if self.last.is_nan() {
            return;
        }
        self.seen_s += elapsed_s;
        // Both ends creep inwards, so that what was seen long ago is forgotten.
        let creep = (self.live_high - self.live_low).max(0.0) * (0.1 * elapsed_s / LIVE_S);
        self.live_low += creep;
        self.live_high -= creep;
        self.learn_noise(elapsed_s);
        self.watch_for_hush(elapsed_s);
    }

    fn learn_noise(&mut self, elapsed_s: f32) {
        // What a fault shows must not become usual: it would clear its own alarm.
        if self.same_s > REPEATS_S || self.is_noisy {
            return;
        }
        let tau_s = USUAL_NOISE_S.min(self.seen_s);
        let target = self.noise_squared.min(4.0 * self.usual_noise_squared + 1e-9);
        if self.seen_s < 5.0 * NOISE_S {
            self.usual_noise_squared = self.noise_squared;
        } else {
            self.usual_noise_squared += (target - self.usual_noise_squared) * (elapsed_s / tau_s).min(1.0);
        }
    }

    /// A channel whose noise has gone is frozen, also where its last bit still flickers.
    fn watch_for_hush(&mut self, elapsed_s: f32) {
        // At an end of the measuring band a working transmitter is calm.
        let margin = 0.01 * self.span.width();
        let is_at_limit = self.last < self.limit_low + margin || self.last > self.limit_high - margin;
        let is_known = self.seen_s > CALM_KNOWN_S;
        let is_hushed = is_known && self.noise_squared < GONE_SHARE * self.calmest_squared;
        let is_calm = self.noise_squared < self.calmest_squared;
        if is_hushed && !is_at_limit {
            self.hushed_s += elapsed_s;
            return;
        }
        self.hushed_s = 0.0;
        // Before it is known the calmest counts at once: a start may be noisy.
        if self.seen_s < 5.0 * NOISE_S || (is_calm && !is_known) {
            self.calmest_squared = self.noise_squared;
        } else if !self.is_noisy {
            let share = (elapsed_s / CALMEST_S).min(1.0);
            self.calmest_squared *=
                if is_calm { 1.0 - (1.0 - CALMEST_SHARE) * share } else { 1.0 + CALMEST_SHARE * share };
        }
    }

    /// Whether the noise stands above its limit: four times the usual one, and a floor.
    pub fn is_noisy(&self) -> bool {
        self.is_noisy
    }

    /// Counts time with too much noise; what shakes float and pressure together is the valve (`is_shaken`), not a sensor.
    pub fn count_noise(&mut self, frame_s: f32, is_shaken: bool) {
        self.noisy_s = if self.is_noisy && !is_shaken {
            (self.noisy_s + frame_s).min(2.0 * NOISY_S)
        } else {
            (self.noisy_s - 2.0 * frame_s).max(0.0)
        };
    }

    /// Weighs the evidence of one frame and returns it: the strongest fault and its value.
    ///
    /// A channel has failed from evidence 1 on until it has stood below half of that for a minute: what alarms make of it
    /// has no part in that.
    // Not inlined: seven times the same.
    #[inline(never)]
    pub fn weigh(&mut self, frame_s: f32, settings: &EvidenceSettings) -> (Fault, f32) {
        let (fault, value) = self.evidence(settings);
        if value >= 1.0 {
            self.failed = Some(fault);
            self.well_s = 0.0;
        } else if value < 0.5 {
            self.well_s += frame_s;
            if self.well_s > WELL_S {
                self.failed = None;
            }
        }
        (fault, value)
    }

    /// Nothing may be concluded from its readings.
    pub fn is_failed(&self) -> bool {
        self.failed.is_some()
    }

    /// What it shows is no reading at all.
    pub fn is_unread(&self) -> bool {
        self.failed.is_some_and(|fault| !matches!(fault, Fault::Drift | Fault::DeadCell))
    }

    /// Evidence for each way to fail, 1 at its limit: the strongest one and which it is.
    pub fn evidence(&self, settings: &EvidenceSettings) -> (Fault, f32) {
        let [drift, dead_cell] = self.from_physics;
        let still_s = self.same_s.max(self.hushed_s);
        let is_troubled = self.bad_s > 0.0
            || self.missing_s > 0.0
            || still_s > REPEATS_S
            || self.noisy_s > 0.0
            || self.lost_jumps > 0.5 * LOST_JUMPS;
        if !is_troubled && drift == 0.0 && dead_cell == 0.0 {
            return (Fault::WireBreak, 0.0);
        }
        let mut strongest = (self.bad_band.unwrap_or(Fault::WireBreak), self.bad_s / LOOP_S);
        let mut offer = |fault, value: f32| {
            if value > strongest.1 {
                strongest = (fault, value);
            }
        };
        offer(Fault::Missing, self.missing_s / settings.missing_s);
        // The extremes between two samples jump and repeat themselves by nature: only their loop can be judged.
        if matches!(self.channel, Channel::PressureMin | Channel::PressureMax) {
            return strongest;
        }
        let width = self.span.width();
        // Only a channel that has shown noise can be told flat.
        if self.usual_noise_squared > 1e-9 * width * width {
            // Clean air leaves an odour cell at rest.
            let patience = if self.channel == Channel::Odour { 4.0 } else { 1.0 };
            offer(Fault::FlatLine, still_s / (patience * settings.flat_line_s));
        }
        offer(Fault::Noise, (self.noisy_s / NOISY_S).max(self.lost_jumps / LOST_JUMPS));
        offer(Fault::Drift, drift);
        offer(Fault::DeadCell, dead_cell);
        strongest
    }

    /// Forgets what a gap has made meaningless.
    pub fn after_gap(&mut self) {
        self.last = f32::NAN;
        self.same_s = 0.0;
        self.bad_s = 0.0;
        self.pending = f32::NAN;
    }

    /// Least and greatest reading at the ends of frames in the last hour or so, in the channel's unit; zeros before any.
    pub fn live_range(&self) -> [f32; 2] {
        if self.live_low <= self.live_high { [self.live_low, self.live_high] } else { [0.0; 2] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel() -> ChannelHealth {
        ChannelHealth::new(Channel::FloatPosition, Span { low: 0.0, high: 100.0 })
    }

    #[test]
    fn a_single_spike_is_held_back_and_a_real_jump_is_not() {
        let mut health = channel();
        for _ in 0..10 {
            assert_eq!(health.accept(50.0, 0.1), 50.0);
        }
        assert_eq!(health.accept(90.0, 0.1), 50.0);
        assert_eq!(health.accept(50.0, 0.1), 50.0);
        assert_eq!(health.accept(90.0, 0.1), 50.0);
        assert_eq!(health.accept(10.0, 0.1), 50.0);
        assert_eq!(health.accept(90.0, 0.1), 50.0);
        assert_eq!(health.accept(90.0, 0.1), 90.0);
    }

    #[test]
    fn a_broken_loop_is_told_from_a_short_and_from_silence() {
        let settings = EvidenceSettings::default();
        let told = |reading: f32, seconds: usize| {
            let mut health = channel();
            health.accept(50.0, 1.0);
            for _ in 0..seconds {
                health.accept(reading, 1.0);
            }
            health.evidence(&settings)
        };
        assert_eq!(told(-25.0, 5).0, Fault::WireBreak);
        assert_eq!(told(110.0, 5).0, Fault::Short);
        assert_eq!(told(104.0, 5).0, Fault::Saturated);
        let (fault, evidence) = told(f32::NAN, 61);
        assert_eq!(fault, Fault::Missing);
        assert!(evidence > 1.0);
        assert!(told(f32::NAN, 30).1 < 1.0);
    }

    #[test]
    fn a_fault_that_stays_does_not_become_usual() {
        let settings = EvidenceSettings::default();
        // A channel that was noisy, then repeats itself for a day.
        let mut health = channel();
        let mut evidence = 0.0;
        for second in 0..90_000_u32 {
            let noise = if second < 3_600 { 0.2 * f32::from(second % 7 == 0) } else { 0.0 };
            health.accept(50.0 + noise, 1.0);
            health.end_frame(1.0);
            health.watch_slowly(1.0);
            evidence = health.weigh(1.0, &settings).1;
        }
        assert!(evidence > 1.0 && health.is_unread());
    }

    #[test]
    fn what_comes_back_faster_than_a_valve_moves_is_noise() {
        let settings = EvidenceSettings::default();
        let told = |hz: u32| {
            let mut health = channel();
            let mut evidence = (Fault::WireBreak, 0.0);
            // Every fifth second one reading stands elsewhere.
            for sample in 0..900 * hz {
                let reading = if sample % (5 * hz) == 0 { 90.0 } else { 50.0 + 0.1 * (sample % 3) as f32 };
                health.accept(reading, 1.0 / hz as f32);
                if sample % hz == 0 {
                    health.end_frame(1.0);
                    health.watch_slowly(1.0);
                    evidence = health.weigh(1.0, &settings);
                }
            }
            evidence
        };
        assert!(told(10).0 == Fault::Noise && told(10).1 > 1.0, "{:?}", told(10));
        // At 1 Hz a valve may well open and close between two samples.
        assert_eq!(told(1).1, 0.0);
    }

    #[test]
    fn a_channel_whose_noise_is_gone_is_flat() {
        let settings = EvidenceSettings::default();
        let told = |at: f32, left: f32| {
            let mut health = channel();
            let mut evidence = (Fault::WireBreak, 0.0);
            for second in 0..7_800_u32 {
                // Seven steps of noise, of which only the last bit is left for ten minutes.
                let noise = (second * 5 % 7) as f32 * if second < 7_200 { 0.05 } else { left };
                health.accept(at + noise, 1.0);
                health.end_frame(1.0);
                health.watch_slowly(1.0);
                evidence = health.weigh(1.0, &settings);
            }
            evidence
        };
        assert!(told(50.0, 0.001).0 == Fault::FlatLine && told(50.0, 0.001).1 > 1.0, "{:?}", told(50.0, 0.001));
        // A third of the noise is a calmer plant, and at the end of the band a transmitter is calm.
        assert_eq!(told(50.0, 0.017).1, 0.0);
        assert_eq!(told(-1.2, 0.001).1, 0.0);
    }

    /// Plays readings at 1 Hz; the last evidence, and whether the channel has failed.
    fn played(readings: impl Iterator<Item = f32>) -> ((Fault, f32), bool) {
        let settings = EvidenceSettings::default();
        let mut health = channel();
        let mut evidence = (Fault::WireBreak, 0.0);
        for reading in readings {
            health.accept(reading, 1.0);
            health.end_frame(1.0);
            health.watch_slowly(1.0);
            health.count_noise(1.0, false);
            evidence = health.weigh(1.0, &settings);
        }
        (evidence, health.is_failed())
    }

    fn quiet(second: u32) -> f32 {
        50.0 + 0.05 * (second * 5 % 7) as f32
    }

    #[test]
    fn a_glitch_now_and_then_blinds_no_channel_and_a_loop_that_stays_out_does() {
        let glitch = |second: u32| if second % 50 == 49 { 108.0 } else { quiet(second) };
        assert!(!played((0..3_600).map(glitch)).1);
        assert!(played((0..3_600).map(quiet).chain([108.0; 3])).1);
    }

    #[test]
    fn noise_that_is_over_is_forgotten_in_minutes() {
        let loud = |second: u32| quiet(second) + if second.is_multiple_of(2) { 4.0 } else { -4.0 };
        let (calm, noise) = ((0..7_200).map(quiet), (0..36_000).map(loud));
        assert_eq!(played(calm.clone().chain(noise.clone())).0.0, Fault::Noise);
        assert!(!played(calm.clone().chain(noise).chain((0..1_200).map(quiet))).1);
    }

    #[test]
    fn a_noisy_start_makes_no_channel_flat() {
        let start = (0..300).map(|second| quiet(second) + 3.0 * (second * 3 % 7) as f32);
        assert_eq!(played(start.chain((0..10_800).map(quiet))), ((Fault::WireBreak, 0.0), false));
    }

    #[test]
    fn noise_is_the_same_at_any_rate() {
        // Alternation is the worst case for second differences: four times 0.1, squared, over six.
        let noise = |hz: f32| {
            let mut health = channel();
            for i in 0..(600.0 * hz) as u32 {
                health.accept(if i % 2 == 0 { 50.1 } else { 49.9 }, 1.0 / hz);
                if i % hz as u32 == 0 {
                    health.end_frame(1.0);
                    health.watch_slowly(1.0);
                }
            }
            health.noise()
        };
        assert!((noise(1.0) - noise(50.0)).abs() < 0.002);
        assert!((noise(10.0) - libm::sqrtf(0.16 / 6.0)).abs() < 0.002, "{}", noise(10.0));
    }
}
