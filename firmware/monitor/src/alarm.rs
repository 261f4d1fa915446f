//! The alarm state machine: one for the device, the replay and the station.
//!
//! Duty: from a condition that comes and goes and from what people do, tell the state of one alarm.
//! It knows nothing of valves. The condition already carries deadband, on-delay and off-delay ([`Debounce`]).
//!
//! # Source
//! States and names: IEC 62682 / ISA-18.2-2016 state diagram; transitions from memory of ISA-18.2 figure 3, held
//! against the transition table in `tests/reference/alarm_transitions.csv`.

use serde::{Deserialize, Serialize};

/// State of one alarm; the number is its id in recordings and never changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum AlarmState {
    /// A: normal.
    Normal = 0,
    /// B: unacknowledged.
    Unacknowledged = 1,
    /// C: acknowledged.
    Acknowledged = 2,
    /// D: returned to normal, unacknowledged.
    ReturnedUnacknowledged = 3,
    /// E: latched, unacknowledged.
    LatchedUnacknowledged = 4,
    /// F: latched, acknowledged.
    LatchedAcknowledged = 5,
    /// G: shelved.
    Shelved = 6,
    /// H: suppressed by design.
    SuppressedByDesign = 7,
    /// I: out of service.
    OutOfService = 8,
}

impl AlarmState {
    /// Every state, in the order of the ids.
    pub const ALL: [AlarmState; 9] = [
        AlarmState::Normal,
        AlarmState::Unacknowledged,
        AlarmState::Acknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::LatchedUnacknowledged,
        AlarmState::LatchedAcknowledged,
        AlarmState::Shelved,
        AlarmState::SuppressedByDesign,
        AlarmState::OutOfService,
    ];

    /// The state with this id; `None` for an id of a later format.
    pub fn from_id(id: u8) -> Option<AlarmState> {
        Self::ALL.get(usize::from(id)).copied()
    }

    /// Letter in the state diagram of the standard.
    pub const fn letter(self) -> char {
        (b'A' + self as u8) as char
    }

    /// Name of the state as the standard has it.
    pub const fn name(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "return-to-normal unacknowledged",
            AlarmState::LatchedUnacknowledged => "latched unacknowledged",
            AlarmState::LatchedAcknowledged => "latched acknowledged",
            AlarmState::Shelved => "shelved",
            AlarmState::SuppressedByDesign => "suppressed by design",
            AlarmState::OutOfService => "out of service",
        }
    }

    /// Whether an operator is shown it: every state but normal and the three that are set aside.
    pub const fn is_annunciated(self) -> bool {
        !matches!(
            self,
            AlarmState::Normal | AlarmState::Shelved | AlarmState::SuppressedByDesign | AlarmState::OutOfService
        )
    }
}

/// What can happen to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlarmEvent {
    /// The condition has come (its on-delay has run out).
    Occurs,
    /// The condition has gone (its off-delay has run out).
    Returns,
    /// A person has seen it.
    Acknowledge,
    /// A person ends the latch.
    Reset,
    /// A person puts it aside for a time.
    Shelve,
    /// A person takes it back, or the time is over.
    Unshelve,
    /// A rule of the design silences it.
    SuppressOn,
    /// That rule no longer holds.
    SuppressOff,
    /// It is taken out of service.
    RemoveFromService,
    /// It is put back into service.
    ReturnToService,
}

/// One alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alarm {
    state: AlarmState,
    is_active: bool,
    /// Has occurred and waits for its reset, also while it is set aside.
    is_latched: bool,
    /// A rule of the design silences it, also while it is shelved or out of service.
    is_suppressed: bool,
    /// Stays until it is reset, even when the condition has gone.
    pub latches: bool,
    /// A return to normal without acknowledgement must still be acknowledged.
    pub needs_acknowledgement: bool,
}

impl Alarm {
    /// An alarm at rest.
    pub const fn new(latches: bool, needs_acknowledgement: bool) -> Alarm {
        Alarm {
            state: AlarmState::Normal,
            is_active: false,
            is_latched: false,
            is_suppressed: false,
            latches,
            needs_acknowledgement,
        }
    }

    /// Its state.
    pub const fn state(&self) -> AlarmState {
        self.state
    }

    /// Whether the condition is there, whatever people have done about it.
    pub const fn is_active(&self) -> bool {
        self.is_active
    }

    /// Takes one event; `Some(new state)` when the state has changed.
    pub fn apply(&mut self, event: AlarmEvent) -> Option<AlarmState> {
        match event {
            AlarmEvent::Occurs => {
                self.is_active = true;
                self.is_latched = self.latches;
            }
            AlarmEvent::Returns => self.is_active = false,
            AlarmEvent::SuppressOn => self.is_suppressed = true,
            AlarmEvent::SuppressOff => self.is_suppressed = false,
            _ => {}
        }
        let next = self.next(event);
        if next == self.state {
            return None;
        }
        if event == AlarmEvent::Reset {
            self.is_latched = false;
        }
        self.state = next;
        Some(next)
    }

    fn next(&self, event: AlarmEvent) -> AlarmState {
        use AlarmState::*;
        match (self.state, event) {
            (_, AlarmEvent::Shelve) if self.state != OutOfService => Shelved,
            (_, AlarmEvent::SuppressOn) if !matches!(self.state, OutOfService | Shelved) => SuppressedByDesign,
            (_, AlarmEvent::RemoveFromService) => OutOfService,
            // The rule of the design still holds.
            (Shelved, AlarmEvent::Unshelve) | (OutOfService, AlarmEvent::ReturnToService) if self.is_suppressed => {
                SuppressedByDesign
            }
            (Shelved, AlarmEvent::Unshelve)
            | (SuppressedByDesign, AlarmEvent::SuppressOff)
            | (OutOfService, AlarmEvent::ReturnToService) => {
                // What had latched, or latched meanwhile, still waits for its reset.
                match (self.is_active, self.is_latched) {
                    (true, _) => Unacknowledged,
                    (false, true) => LatchedUnacknowledged,
                    (false, false) => Normal,
                }
            }
            (Normal | ReturnedUnacknowledged | LatchedUnacknowledged | LatchedAcknowledged, AlarmEvent::Occurs) => {
                Unacknowledged
            }
            (Unacknowledged, AlarmEvent::Acknowledge) => Acknowledged,
            (Unacknowledged, AlarmEvent::Returns) => {
                if self.latches {
                    LatchedUnacknowledged
                } else if self.needs_acknowledgement {
                    ReturnedUnacknowledged
                } else {
                    Normal
                }
            }
            (Acknowledged, AlarmEvent::Returns) => {
                if self.latches {
                    LatchedAcknowledged
                } else {
                    Normal
                }
            }
            (ReturnedUnacknowledged, AlarmEvent::Acknowledge) => Normal,
            (LatchedUnacknowledged, AlarmEvent::Acknowledge) => LatchedAcknowledged,
            (LatchedUnacknowledged, AlarmEvent::Reset) => ReturnedUnacknowledged,
            (LatchedAcknowledged, AlarmEvent::Reset) => Normal,
            (state, _) => state,
        }
    }
}

/// Threshold with deadband, on-delay and off-delay.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Debounce {
    is_on: bool,
    pending_s: f32,
}

/// Limits of a [`Debounce`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DebounceLimits {
    /// The condition comes at or above this value.
    pub threshold: f32,
    /// It goes below `threshold - deadband`.
    pub deadband: f32,
    /// It must stand this long before it counts, s.
    pub on_delay_s: f32,
    /// It must be gone this long before it is gone, s.
    pub off_delay_s: f32,
}

impl Debounce {
    /// Whether the condition counts as there.
    pub const fn is_on(&self) -> bool {
        self.is_on
    }

    /// Forgets the delay that runs.
    pub fn begin_anew(&mut self) {
        self.pending_s = 0.0;
    }

    /// Nothing stands, nothing is on its way, and nothing begins with this value: most of the time.
    #[inline(always)]
    pub fn stays_at_rest(&self, value: f32, threshold: f32) -> bool {
        // A value that is none begins nothing.
        let begins = value >= threshold;
        !self.is_on && self.pending_s == 0.0 && !begins
    }

    /// Lets `dt_s` seconds pass with this value; `Some` when the condition has come (true) or gone (false).
    ///
    /// NaN (cannot be judged) stops the clocks and changes nothing.
    pub fn update(&mut self, value: f32, dt_s: f32, limits: &DebounceLimits) -> Option<bool> {
        if value.is_nan() {
            return None;
        }
        let wants_change =
            if self.is_on { value < limits.threshold - limits.deadband } else { value >= limits.threshold };
        if !wants_change {
            self.pending_s = 0.0;
            return None;
        }
        self.pending_s += dt_s;
        let delay_s = if self.is_on { limits.off_delay_s } else { limits.on_delay_s };
        if self.pending_s < delay_s {
            return None;
        }
        self.pending_s = 0.0;
        self.is_on = !self.is_on;
        Some(self.is_on)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: DebounceLimits = DebounceLimits { threshold: 1.0, deadband: 0.3, on_delay_s: 3.0, off_delay_s: 5.0 };

    fn run(debounce: &mut Debounce, value: f32, seconds: usize) -> Option<bool> {
        (0..seconds).filter_map(|_| debounce.update(value, 1.0, &LIMITS)).last()
    }

    #[test]
    fn comes_only_after_on_delay() {
        let mut debounce = Debounce::default();
        assert_eq!(run(&mut debounce, 1.5, 2), None);
        assert_eq!(run(&mut debounce, 0.5, 1), None);
        assert_eq!(run(&mut debounce, 1.0, 2), None);
        assert_eq!(run(&mut debounce, 1.0, 1), Some(true));
    }

    #[test]
    fn goes_only_below_the_deadband_and_after_off_delay() {
        let mut debounce = Debounce::default();
        run(&mut debounce, 2.0, 3);
        assert_eq!(run(&mut debounce, 0.75, 100), None);
        assert_eq!(run(&mut debounce, 0.6, 4), None);
        assert_eq!(run(&mut debounce, 0.6, 1), Some(false));
    }

    #[test]
    fn what_cannot_be_judged_changes_nothing() {
        let mut debounce = Debounce::default();
        run(&mut debounce, 2.0, 2);
        assert_eq!(run(&mut debounce, f32::NAN, 50), None);
        assert_eq!(run(&mut debounce, 2.0, 1), Some(true));
    }

    #[test]
    fn setting_aside_ends_no_latch() {
        for (aside, back) in [
            (AlarmEvent::Shelve, AlarmEvent::Unshelve),
            (AlarmEvent::SuppressOn, AlarmEvent::SuppressOff),
            (AlarmEvent::RemoveFromService, AlarmEvent::ReturnToService),
        ] {
            let mut alarm = Alarm::new(true, true);
            alarm.apply(AlarmEvent::Occurs);
            alarm.apply(aside);
            alarm.apply(AlarmEvent::Returns);
            assert_eq!(alarm.apply(back), Some(AlarmState::LatchedUnacknowledged));
        }
    }

    #[test]
    fn a_rule_that_silences_is_not_lost_while_an_alarm_is_set_aside() {
        for (aside, back) in
            [(AlarmEvent::Shelve, AlarmEvent::Unshelve), (AlarmEvent::RemoveFromService, AlarmEvent::ReturnToService)]
        {
            let mut alarm = Alarm::new(false, true);
            alarm.apply(AlarmEvent::Occurs);
            alarm.apply(aside);
            assert_eq!(alarm.apply(AlarmEvent::SuppressOn), None);
            assert_eq!(alarm.apply(back), Some(AlarmState::SuppressedByDesign));
            assert_eq!(alarm.apply(AlarmEvent::SuppressOff), Some(AlarmState::Unacknowledged));
        }
    }

    #[test]
    fn a_latched_alarm_needs_acknowledgement_and_reset() {
        let mut alarm = Alarm::new(true, true);
        assert_eq!(alarm.apply(AlarmEvent::Occurs), Some(AlarmState::Unacknowledged));
        assert_eq!(alarm.apply(AlarmEvent::Returns), Some(AlarmState::LatchedUnacknowledged));
        assert_eq!(alarm.apply(AlarmEvent::Acknowledge), Some(AlarmState::LatchedAcknowledged));
        assert_eq!(alarm.apply(AlarmEvent::Reset), Some(AlarmState::Normal));
    }

    #[test]
    fn a_shelved_alarm_comes_back_as_it_stands() {
        let mut alarm = Alarm::new(false, true);
        alarm.apply(AlarmEvent::Shelve);
        assert_eq!(alarm.apply(AlarmEvent::Occurs), None);
        assert_eq!(alarm.apply(AlarmEvent::Unshelve), Some(AlarmState::Unacknowledged));
    }
}
