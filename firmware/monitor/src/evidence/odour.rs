//! Odour: whether the vent passes gas, and whether the cell still answers releases.

use airvalve_sensors::{Channel, LoopCurrent, Span};

use super::Context;
use crate::{frame::Frame, learned::Learned};

/// Odour that rises by less after a release has not risen, ppm and share of a usual pulse: what is left of a cell that has
/// all but died, and of its noise.
const SILENT_PPM: f32 = 0.35;
const SILENT_SHARE: f32 = 0.15;
/// Time constant over which a pulse is watched, s: shorter than a cell's own, longer than its noise.
const PEAK_S: f32 = 8.0;
/// Odour that rises by less after a release teaches nothing, ppm.
const LEAST_PULSE_PPM: f32 = 1.0;
/// Odour this many standard deviations above what stands before releases has risen.
const RISEN_DEVIATIONS: f32 = 4.0;
/// And at least by this, ppm: the drift of a usual cell over a day.
const LEAST_RISE_PPM: f32 = 0.5;
/// And by this share of the cell's span: its zero and what of it the loop can carry.
const LEAST_RISE_SHARE: f32 = 0.003;
/// Time constant of the odour, s; so often it is kept, and so many times it is looked back over.
const NOW_S: f32 = 60.0;
const KEPT: usize = 5;
/// Odour that has risen and is below this share of what it was minutes before is aired out, not fed.
const FALLING_SHARE: f32 = 0.985;
/// Within this of the lowest that the loop carries a cell shows nothing of what is below, share of span; one that has been
/// further from it was clear.
const PINNED_SHARE: f32 = 0.001;
const CLEAR_SHARE: f32 = 0.005;
/// So many releases in a row find a cell that was clear at the lowest: its zero has gone below.
const PINNED_RELEASES: f32 = 3.0;
/// Releases before its usual reading is known.
const LEAST_RELEASES: f32 = 5.0;
/// How long after a release its pulse is waited for, s.
const PULSE_S: f32 = 90.0;

#[derive(Clone, Debug)]
pub(super) struct Odour {
    /// Mean over about a minute, ppm; NaN when there is none.
    pub(super) ppm: f32,
    /// Over some seconds.
    fast_ppm: f32,
    /// The first in the minutes before, the newest first.
    kept_ppm: [f32; KEPT],
    since_kept_s: f32,
    pulse: Option<Pulse>,
    /// Releases in a row without a pulse.
    pub(super) silent_releases: f32,
    /// Releases in a row before which the cell stood at the lowest that its loop carries.
    pinned_releases: f32,
}

#[derive(Clone, Copy, Debug)]
struct Pulse {
    elapsed_s: f32,
    before_ppm: f32,
    peak_ppm: f32,
}

impl Default for Odour {
    fn default() -> Self {
        Odour {
            ppm: f32::NAN,
            fast_ppm: f32::NAN,
            kept_ppm: [f32::NAN; KEPT],
            since_kept_s: 0.0,
            pulse: None,
            silent_releases: 0.0,
            pinned_releases: 0.0,
        }
    }
}

impl Odour {
    pub(super) fn after_gap(&mut self) {
        self.pulse = None;
    }

    pub(super) fn frame(&mut self, frame: &Frame, learned: &mut Learned, context: &Context) {
        let ppm = frame.odour_ppm;
        if ppm.is_nan() {
            self.ppm = f32::NAN;
            self.pulse = None;
            return;
        }
        if self.ppm.is_nan() {
            self.ppm = ppm;
            self.fast_ppm = ppm;
        }
        self.fast_ppm += (ppm - self.fast_ppm) * (frame.length_s / PEAK_S).min(1.0);
        self.ppm += (ppm - self.ppm) * (frame.length_s / NOW_S).min(1.0);
        self.since_kept_s += frame.length_s;
        if self.since_kept_s >= NOW_S {
            self.since_kept_s = 0.0;
            self.kept_ppm.rotate_right(1);
            if let Some(newest) = self.kept_ppm.first_mut() {
                *newest = self.ppm;
            }
        }
        let Some(pulse) = &mut self.pulse else { return };
        pulse.elapsed_s += frame.length_s;
        pulse.peak_ppm = pulse.peak_ppm.max(self.fast_ppm);
        if pulse.elapsed_s > PULSE_S {
            let ended = *pulse;
            self.pulse = None;
            self.end_pulse(ended, learned, context);
        }
    }

    /// A release has ended.
    pub(super) fn cycle(&mut self, learned: &Learned) {
        // What is being aired out, after a fill or a pocket, falls faster than a release lets it rise.
        let [_, earlier_ppm, ..] = self.kept_ppm;
        let is_falling = earlier_ppm - self.ppm > silent_ppm(learned);
        // Releases that follow each other closely share one rise.
        if self.pulse.is_none() && !self.ppm.is_nan() && !is_falling {
            self.pulse = Some(Pulse { elapsed_s: 0.0, before_ppm: self.ppm, peak_ppm: self.ppm });
        }
    }

    fn end_pulse(&mut self, pulse: Pulse, learned: &mut Learned, context: &Context) {
        let (many, few) = (context.settings.baseline_cycles, context.settings.recent_cycles);
        let height_ppm = pulse.peak_ppm - pulse.before_ppm;
        let is_silent = height_ppm < silent_ppm(learned);
        if height_ppm >= LEAST_PULSE_PPM && !is_silent {
            learned.odour_pulse_ppm.add(height_ppm, many, few);
        }
        if !is_silent {
            self.silent_releases = 0.0;
        } else if learned.odour_pulse_ppm.weight >= 3.0 {
            self.silent_releases += 1.0;
        }
        // A cell whose zero lies below the measuring band shows fewer: how many belongs to what is learned.
        learned.odour_pulse_seen.add(if is_silent { 0.0 } else { 1.0 }, many, few);
        if self.is_newly_pinned(pulse.before_ppm, learned, context) {
            self.pinned_releases += 1.0;
        } else {
            self.pinned_releases = 0.0;
            learned.odour_base_ppm.add(pulse.before_ppm, many, few);
        }
    }

    /// The cell stands at the lowest that its loop carries, and was clear of it when its usual reading was learned.
    fn is_newly_pinned(&self, ppm: f32, learned: &Learned, context: &Context) -> bool {
        let Some(span) = context.site.spans.get(Channel::Odour) else { return false };
        let (base, width_ppm) = (&learned.odour_base_ppm, span.width());
        let lowest_ppm = LoopCurrent::from_milliamperes(LoopCurrent::MEASURING_LOW_MA).as_quantity(span);
        let was_clear =
            base.weight >= LEAST_RELEASES && base.mean - 3.0 * base.deviation > lowest_ppm + CLEAR_SHARE * width_ppm;
        was_clear && ppm < lowest_ppm + PINNED_SHARE * width_ppm
    }

    /// Evidence that the cell's zero has drifted below what its loop carries, 1 at the limit.
    pub(super) fn sunk(&self) -> f32 {
        self.pinned_releases / PINNED_RELEASES
    }

    /// Whether the vent is passing gas: `None` where odour cannot tell.
    ///
    /// Held against the odour before releases; before that is known, against the least that counts as odour.
    pub(super) fn is_venting(&self, learned: &Learned, context: &Context) -> Option<bool> {
        if self.ppm.is_nan() || !context.is_odour_trusted || !context.site.is_sewage {
            return None;
        }
        let base = &learned.odour_base_ppm;
        if base.weight < 3.0 {
            return Some(self.ppm >= context.settings.odour_present_ppm);
        }
        let rise_ppm = self.ppm - base.recent;
        let (scatter_ppm, pulse_ppm) = (RISEN_DEVIATIONS * base.deviation, learned.odour_pulse_ppm.mean);
        // Half a usual pulse is clear, however the odour before releases scatters.
        let span_ppm = context.site.spans.get(Channel::Odour).map_or(0.0, Span::width);
        let least_ppm = LEAST_RISE_PPM.max(LEAST_RISE_SHARE * span_ppm);
        let clear_ppm = scatter_ppm.max(0.08 * pulse_ppm).min(0.5 * pulse_ppm).max(least_ppm);
        // What one release has left in the vault goes away slowly.
        let earlier_ppm = self.kept_ppm.last().copied().unwrap_or(f32::NAN);
        let is_falling = rise_ppm < FALLING_SHARE * (earlier_ppm - base.recent);
        if rise_ppm >= clear_ppm && is_falling {
            None
        } else if rise_ppm >= clear_ppm {
            Some(true)
        } else if rise_ppm < 0.5 * clear_ppm {
            Some(false)
        } else {
            None
        }
    }
}

/// Odour that rises by less after a release has not risen, ppm.
fn silent_ppm(learned: &Learned) -> f32 {
    (SILENT_SHARE * learned.odour_pulse_ppm.mean).max(SILENT_PPM)
}
