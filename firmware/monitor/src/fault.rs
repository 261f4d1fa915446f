//! What can be wrong, and which alarm it raises.

use serde::{Deserialize, Serialize};

/// Number of faults of the valve itself.
pub const VALVE_FAULTS: usize = 10;
/// Number of ways in which a channel can fail.
pub const SENSOR_FAULTS: usize = 8;

/// The four kinds of alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum AlarmKind {
    /// An orifice that should be shut stands open.
    StuckOpen,
    /// An orifice that should open stays shut.
    StuckClosed,
    /// The valve works, but worse and worse.
    Fouling,
    /// A measuring channel cannot be trusted.
    SensorFault,
}

impl AlarmKind {
    /// Name as results and labels have it.
    pub const fn name(self) -> &'static str {
        match self {
            AlarmKind::StuckOpen => "stuck-open",
            AlarmKind::StuckClosed => "stuck-closed",
            AlarmKind::Fouling => "fouling",
            AlarmKind::SensorFault => "sensor-fault",
        }
    }
}

/// One fault; the number is its id in recordings and never changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum Fault {
    /// The float hangs low.
    JammedLow = 0,
    /// The seat of the large orifice is held open.
    LargeSeatOpen = 1,
    /// The seat of the small orifice is held open.
    SmallSeatOpen = 2,
    /// The float hangs high.
    JammedUp = 3,
    /// The small orifice lets nothing out.
    SmallBlocked = 4,
    /// The large orifice does not open to a vacuum.
    LargeShut = 5,
    /// The release orifice clogs.
    Clogging = 6,
    /// The float moves late and in steps.
    Sluggish = 7,
    /// A seat weeps.
    Weeping = 8,
    /// The float has become heavy.
    Heavy = 9,
    /// No loop current.
    WireBreak = 16,
    /// Loop current above the measuring and saturation bands.
    Short = 17,
    /// Loop current between the bands.
    Saturated = 18,
    /// The reading repeats itself exactly.
    FlatLine = 19,
    /// The reading walks away from what physics allows.
    Drift = 20,
    /// Noise far above what this channel showed before.
    Noise = 21,
    /// The odour cell no longer answers.
    DeadCell = 22,
    /// No reading while other channels go on.
    Missing = 23,
}

impl Fault {
    /// The faults of the valve itself, in the order of their ids.
    pub const VALVE: [Fault; VALVE_FAULTS] = [
        Fault::JammedLow,
        Fault::LargeSeatOpen,
        Fault::SmallSeatOpen,
        Fault::JammedUp,
        Fault::SmallBlocked,
        Fault::LargeShut,
        Fault::Clogging,
        Fault::Sluggish,
        Fault::Weeping,
        Fault::Heavy,
    ];

    /// The ways in which a channel can fail, in the order of their ids.
    pub const SENSOR: [Fault; SENSOR_FAULTS] = [
        Fault::WireBreak,
        Fault::Short,
        Fault::Saturated,
        Fault::FlatLine,
        Fault::Drift,
        Fault::Noise,
        Fault::DeadCell,
        Fault::Missing,
    ];

    /// Id in recordings.
    pub const fn id(self) -> u8 {
        self as u8
    }

    /// The fault with this id; `None` for an id of a later format.
    pub fn from_id(id: u8) -> Option<Fault> {
        Self::VALVE.into_iter().chain(Self::SENSOR).find(|fault| fault.id() == id)
    }

    /// This fault's bit in a set of faults.
    pub const fn bit(self) -> u32 {
        1 << (self as u8)
    }

    /// Name as results, labels and truth files have it.
    pub const fn name(self) -> &'static str {
        match self {
            Fault::JammedLow => "jammed-low",
            Fault::LargeSeatOpen => "large-seat-open",
            Fault::SmallSeatOpen => "small-seat-open",
            Fault::JammedUp => "jammed-up",
            Fault::SmallBlocked => "small-blocked",
            Fault::LargeShut => "large-shut",
            Fault::Clogging => "clogging",
            Fault::Sluggish => "sluggish",
            Fault::Weeping => "weeping",
            Fault::Heavy => "heavy",
            Fault::WireBreak => "wire-break",
            Fault::Short => "short",
            Fault::Saturated => "saturated",
            Fault::FlatLine => "flat-line",
            Fault::Drift => "drift",
            Fault::Noise => "noise",
            Fault::DeadCell => "dead-cell",
            Fault::Missing => "missing",
        }
    }

    /// Whether it is the loop itself that has failed.
    pub const fn is_of_loop(self) -> bool {
        matches!(self, Fault::WireBreak | Fault::Short | Fault::Saturated | Fault::Missing)
    }

    /// The kind of alarm that this fault raises.
    pub const fn kind(self) -> AlarmKind {
        match self {
            Fault::JammedLow | Fault::LargeSeatOpen | Fault::SmallSeatOpen => AlarmKind::StuckOpen,
            Fault::JammedUp | Fault::SmallBlocked | Fault::LargeShut => AlarmKind::StuckClosed,
            Fault::Clogging | Fault::Sluggish | Fault::Weeping | Fault::Heavy => AlarmKind::Fouling,
            _ => AlarmKind::SensorFault,
        }
    }
}

/// One value a fault of the valve.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PerFault<T>(pub [T; VALVE_FAULTS]);

impl<T: Copy + Default> PerFault<T> {
    /// The value of one fault; the default for a sensor fault, which has no place here.
    pub fn get(&self, fault: Fault) -> T {
        self.0.get(fault as usize).copied().unwrap_or_default()
    }

    /// Sets the value of one fault.
    pub fn set(&mut self, fault: Fault, value: T) {
        if let Some(slot) = self.0.get_mut(fault as usize) {
            *slot = value;
        }
    }
}
