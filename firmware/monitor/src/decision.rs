//! From evidence to alarms: thresholds, delays, one alarm a fault.

use airvalve_sensors::{CHANNELS, Channel, Channels};

use crate::{
    alarm::{Alarm, AlarmEvent, AlarmState, Debounce},
    fault::{AlarmKind, Fault, PerFault},
    settings::DecisionSettings,
};

/// A change of one alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AlarmChange {
    /// Unix time, microseconds.
    pub time_us: i64,
    /// What is wrong.
    pub fault: Fault,
    /// The channel, for a sensor fault.
    pub channel: Option<Channel>,
    /// New state.
    pub state: AlarmState,
    /// Whether the condition is there.
    pub is_active: bool,
    /// How sure, 0 to 1.
    pub confidence: f32,
    /// Other faults that the same evidence allows, one bit a fault id.
    pub also_possible: u32,
    /// The evidence in numbers; their meaning depends on the fault (see [`evidence_names`]).
    pub evidence: [f32; 4],
}

/// What the four numbers of an alarm's evidence are, with units.
pub const fn evidence_names(fault: Fault) -> [&'static str; 4] {
    match fault {
        Fault::JammedLow | Fault::SmallBlocked => ["float_pct", "pressure_kpa", "low_s", "odour_ppm"],
        Fault::JammedUp | Fault::LargeSeatOpen | Fault::SmallSeatOpen => {
            ["float_pct", "pressure_kpa", "unmoved_pct", "odour_ppm"]
        }
        Fault::LargeShut => ["float_pct", "pressure_kpa", "evidence", "odour_ppm"],
        Fault::Clogging => ["area_ratio", "area_ratio_usual", "cycles", "odour_ppm"],
        Fault::Sluggish => ["late_share", "stick_pct", "stick_usual_pct", "odour_ppm"],
        Fault::Weeping => ["arrival_nl_s", "arrival_usual_nl_s", "odour_usual_ppm", "odour_ppm"],
        Fault::Heavy => ["answer", "answer_usual", "steps", "odour_ppm"],
        _ => ["evidence", "noise", "", ""],
    }
}

/// Faults that the same picture may show: only one of a family is raised at a time.
const FAMILIES: [&[Fault]; 3] = [
    &[Fault::JammedLow, Fault::SmallBlocked],
    &[Fault::JammedUp, Fault::LargeSeatOpen, Fault::SmallSeatOpen],
    // A float is jammed in one place.
    &[Fault::JammedLow, Fault::JammedUp],
];

/// Faults with which the valve no longer works as it should at all; one that shows in a vacuum only is none of them.
const STUCK: [Fault; 5] =
    [Fault::JammedLow, Fault::LargeSeatOpen, Fault::SmallSeatOpen, Fault::JammedUp, Fault::SmallBlocked];

#[derive(Clone, Copy, Debug, PartialEq)]
struct Slot {
    debounce: Debounce,
    alarm: Alarm,
}

/// All alarms of one valve.
#[derive(Clone, Debug)]
pub struct Decisions {
    valve: [Slot; crate::fault::VALVE_FAULTS],
    sensors: [Slot; CHANNELS],
    sensor_faults: Channels<Fault>,
}

impl Decisions {
    /// All alarms at rest.
    pub fn new(settings: &DecisionSettings) -> Decisions {
        let slot = |fault| Slot { debounce: Debounce::default(), alarm: Alarm::new(settings.latches(fault), true) };
        Decisions {
            valve: Fault::VALVE.map(slot),
            sensors: [slot(Fault::Missing); CHANNELS],
            sensor_faults: Channels([Fault::Missing; CHANNELS]),
        }
    }

    /// Lets the alarms of the valve see the evidence of one frame; `changed` hears of each change.
    pub fn valve_frame(
        &mut self,
        values: &PerFault<f32>,
        frame_s: f32,
        settings: &DecisionSettings,
        mut changed: impl FnMut(Fault, AlarmState, bool),
    ) {
        for fault in Fault::VALVE {
            let (value, threshold) = (values.get(fault), settings.threshold(fault));
            if self.valve.get(fault as usize).is_some_and(|slot| slot.debounce.stays_at_rest(value, threshold)) {
                continue;
            }
            let is_kept_out = self.is_kept_out(fault);
            let Some(slot) = self.valve.get_mut(fault as usize) else {
                continue;
            };
            if is_kept_out && !slot.debounce.is_on() {
                // Its on-delay begins anew once the other has gone.
                slot.debounce.begin_anew();
                continue;
            }
            let outcome = slot.debounce.update(value, frame_s, &settings.limits(fault));
            if let Some((state, is_active)) = carry(&mut slot.alarm, outcome) {
                changed(fault, state, is_active);
            }
        }
    }

    /// Another fault of the same family stands: the picture has its alarm already. What is stuck tells nothing of grease.
    fn is_kept_out(&self, fault: Fault) -> bool {
        if fault.kind() == AlarmKind::Fouling {
            return self.is_any_standing(&STUCK);
        }
        FAMILIES.iter().filter(|family| family.contains(&fault)).any(|family| {
            family.iter().any(|other| {
                *other != fault && self.valve.get(*other as usize).is_some_and(|slot| slot.debounce.is_on())
            })
        })
    }

    /// Lets the alarm of one channel see its strongest evidence.
    pub fn sensor_frame(
        &mut self,
        channel: Channel,
        (fault, value): (Fault, f32),
        frame_s: f32,
        settings: &DecisionSettings,
    ) -> Option<(Fault, AlarmState, bool)> {
        let slot = self.sensors.get_mut(channel.index())?;
        if slot.debounce.stays_at_rest(value, settings.sensor_threshold) {
            return None;
        }
        let outcome = slot.debounce.update(value, frame_s, &settings.limits(Fault::Missing));
        if outcome == Some(true) {
            self.sensor_faults.set(channel, fault);
        }
        // A loop that breaks while the channel stands as drifting has another cause, and is told.
        let was_weaker = !self.sensor_faults.get(channel).is_of_loop() && fault.is_of_loop();
        if slot.debounce.is_on() && outcome.is_none() && was_weaker && value >= settings.sensor_threshold {
            self.sensor_faults.set(channel, fault);
            return Some((fault, slot.alarm.state(), true));
        }
        let (state, is_active) = carry(&mut slot.alarm, outcome)?;
        Some((self.sensor_faults.get(channel), state, is_active))
    }

    /// What was about to come or to go may have changed its mind.
    pub fn after_long_gap(&mut self) {
        for slot in self.valve.iter_mut().chain(&mut self.sensors) {
            slot.debounce.begin_anew();
        }
    }

    /// What a person or a rule of the design does about one alarm.
    pub fn act(&mut self, fault: Fault, channel: Option<Channel>, event: AlarmEvent) -> Option<AlarmState> {
        let slot = match channel {
            Some(channel) => self.sensors.get_mut(channel.index()),
            None => self.valve.get_mut(fault as usize),
        };
        slot?.alarm.apply(event)
    }

    /// Whether the condition of one of these faults of the valve stands.
    pub fn is_any_standing(&self, faults: &[Fault]) -> bool {
        faults.iter().any(|fault| self.valve.get(*fault as usize).is_some_and(|slot| slot.debounce.is_on()))
    }

    /// State of the alarm for one fault of the valve.
    pub fn state(&self, fault: Fault) -> AlarmState {
        self.valve.get(fault as usize).map_or(AlarmState::Normal, |slot| slot.alarm.state())
    }
}

fn carry(alarm: &mut Alarm, outcome: Option<bool>) -> Option<(AlarmState, bool)> {
    let is_active = outcome?;
    alarm.apply(if is_active { AlarmEvent::Occurs } else { AlarmEvent::Returns });
    // A shelved or suppressed alarm keeps its state; that its condition came or went is still told.
    Some((alarm.state(), is_active))
}
