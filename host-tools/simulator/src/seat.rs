//! An orifice with its seat: opens and closes by the float, and what fouls it.

use crate::air::Passage;

#[derive(Clone, Debug)]
pub(crate) struct Seat {
    pub(crate) passage: Passage,
    /// True positions, of the stroke.
    pub(crate) opens_below: f64,
    pub(crate) closes_above: f64,
    /// Chamber pressure above which it stays shut, Pa gauge; infinite for a release orifice.
    pub(crate) reopen_pa: f64,
    /// Travel of the float over which it closes, of the stroke; 0 for one that snaps shut.
    pub(crate) closing_travel: f64,
    /// Lift, 0 on the seat .. 1 wide open.
    lift: f64,
    /// Whether the float has it open.
    pub(crate) is_open: bool,
    /// Share of its area that is free when open.
    pub(crate) free_share: f64,
    /// Share of its area that leaks although it is shut.
    pub(crate) leak_share: f64,
    /// Share of the mass flow that is dry air.
    pub(crate) dry_share: f64,
    /// Air let out and taken in so far, kg.
    pub(crate) released_kg: f64,
    pub(crate) admitted_kg: f64,
}

impl Seat {
    pub(crate) fn new(passage: Passage, opens_below: f64, closes_above: f64) -> Seat {
        Seat {
            passage,
            opens_below,
            closes_above,
            reopen_pa: f64::INFINITY,
            closing_travel: 0.0,
            lift: 1.0,
            is_open: false,
            free_share: 1.0,
            leak_share: 0.0,
            dry_share: 1.0,
            released_kg: 0.0,
            admitted_kg: 0.0,
        }
    }

    /// Open share of its area now.
    #[inline]
    pub(crate) fn share(&self) -> f64 {
        if self.is_open { (self.lift * self.free_share).max(self.leak_share) } else { self.leak_share }
    }

    /// Lets the float work it; says whether it has switched.
    #[inline]
    pub(crate) fn work(&mut self, position: f64, gauge_pa: f64) -> bool {
        let is_open = if self.is_open {
            position <= self.closes_above
        } else {
            position < self.opens_below && gauge_pa <= self.reopen_pa
        };
        let has_switched = is_open != self.is_open;
        self.is_open = is_open;
        if is_open && self.closing_travel > 0.0 {
            self.lift = ((self.closes_above - position) / self.closing_travel).clamp(0.02, 1.0);
        }
        has_switched
    }

    /// The position at which it would switch next.
    #[inline]
    pub(crate) fn threshold(&self) -> f64 {
        if self.is_open { self.closes_above } else { self.opens_below }
    }
}
