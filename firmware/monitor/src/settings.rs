//! Every threshold of the detector: one row each, with unit, default, allowed range and meaning.
//!
//! *Evidence* settings shape what is measured about the valve; *decision* settings say when that becomes an alarm.
//! Decisions never feed back into evidence.

use serde::{Deserialize, Serialize};

use crate::{
    alarm::DebounceLimits,
    fault::{AlarmKind, Fault},
};

/// One row of the settings: what it is called, in what unit, and what it may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettingRow {
    /// Name in a settings file.
    pub name: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// Least allowed value.
    pub least: f32,
    /// Default.
    pub default: f32,
    /// Greatest allowed value.
    pub most: f32,
    /// One sentence: what it means and where the default comes from.
    pub meaning: &'static str,
}

macro_rules! settings {
    ($(#[$doc:meta])* $name:ident { $($field:ident: $unit:literal, $least:literal .. $default:literal .. $most:literal, $meaning:literal;)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
        pub struct $name {
            $(#[doc = $meaning] pub $field: f32,)*
        }

        impl $name {
            /// The rows, in the order of the fields.
            pub const ROWS: &'static [SettingRow] = &[
                $(SettingRow { name: stringify!($field), unit: $unit, least: $least, default: $default, most: $most, meaning: $meaning },)*
            ];

            /// The value of a row by its name.
            pub fn get(&self, name: &str) -> Option<f32> {
                $(if name == stringify!($field) { return Some(self.$field); })*
                None
            }

            /// Sets a row by its name; false when there is none of this name.
            pub fn set(&mut self, name: &str, value: f32) -> bool {
                $(if name == stringify!($field) { self.$field = value; return true; })*
                false
            }
        }

        impl Default for $name {
            fn default() -> Self {
                $name { $($field: $default,)* }
            }
        }
    };
}

settings! {
    /// What is measured about the valve, and how.
    EvidenceSettings {
        position_tolerance_pct: "% of stroke", 1.0 .. 6.0 .. 20.0, "how far the true opening position may lie from the data sheet before it is learned; common practice: a few per cent of stroke, doubled";
        pressurised_share: "of static", 0.1 .. 0.3 .. 0.9, "chamber pressure above this share of static counts as under pressure; source: the definition of the finding trapped-air";
        vacuum_kpa: "kPa", 0.5 .. 2.0 .. 20.0, "chamber pressure below minus this, and below three standard uncertainties of zero, counts as vacuum; goal: a vacuum of 5 kPa is a finding, and must be clear of this";
        step_share: "of absolute pressure", 0.03 .. 0.08 .. 0.5, "a change of pressure by this share within a few seconds tests the float; physics: of the smallest cushion, a quarter of the stroke, it moves the float by twice its accuracy";
        step_least_answer_pct: "% of stroke", 1.0 .. 2.5 .. 20.0, "a pressure step counts as a test when the float should answer by at least this much; common practice: twice the position accuracy";
        no_answer_share: "of the expected answer", 0.05 .. 0.25 .. 0.6, "a float that answers less than this to a pressure step did not answer; physics: a gas still warm answers 71 % at the least, half of that is play and noise";
        still_pct: "% of stroke", 0.2 .. 1.0 .. 5.0, "a float that stays within this is still; common practice: the accuracy of a usual position transmitter";
        off_bottom_pct: "% of stroke", 1.0 .. 4.0 .. 20.0, "above this float position a change of the cushion must be seen; common practice: four times the accuracy of the position";
        vent_time_factor: "times", 1.0 .. 1.3 .. 5.0, "a float at the very bottom is suspect after this many vent times of the largest expected pocket; physics: coefficient and diameter are known to some ten per cent, the pocket hardly better";
        low_still_s: "s", 30.0 .. 240.0 .. 3600.0, "a float low but off the bottom must have moved within this time plus three vent times of the body; goal: told within a quarter of an hour";
        baseline_cycles: "cycles", 5.0 .. 20.0 .. 200.0, "how many release cycles make a baseline; goal: judged from ten cycles on, known from twice as many";
        recent_cycles: "cycles", 3.0 .. 8.0 .. 50.0, "over how many release cycles a recent value is averaged; common practice: eight to ten for a chart that must follow within a day";
        arrival_baseline_h: "h", 0.5 .. 1.5 .. 500.0, "sealed and calm time in each state of the pump that makes the baseline of arriving air; with the pump running it takes about half a day; goal: fouling is judged from the second day on";
        arrival_recent_h: "h", 0.5 .. 2.0 .. 100.0, "sealed time over which recent arrival is averaged; common practice: longer than the swing of a few pump cycles";
        odour_present_ppm: "ppm", 0.2 .. 2.0 .. 50.0, "odour at or above this, lasting, means that the vent is passing gas; common practice: ten times the noise of a usual cell";
        stick_pct: "% of stroke", 0.5 .. 2.0 .. 10.0, "a float that stands off by this more than usual before it moves is sluggish; goal: friction of 4 % of stroke, of which half shows on average";
        deepest_flow_factor: "times", 1.0 .. 3.0 .. 20.0, "a healthy large orifice is expected to hold the vacuum while the main drains at this many times the pumped flow; common practice: a burst low down drains at up to twice it";
        sagging_share: "of pressure", 0.01 .. 0.04 .. 0.3, "chamber pressure this much below the line (or below its own usual value) while the valve spills points at the large orifice; goal: told from a loss of 4 % of the absolute pressure on";
        flat_line_s: "s", 20.0 .. 90.0 .. 3600.0, "a channel that showed noise and then repeats one value exactly for this long is flat; common practice: nine hundred equal readings at the default rate are no chance";
        missing_s: "s", 5.0 .. 60.0 .. 600.0, "a channel without readings for this long while samples go on is missing; source: the contract for CSV files, a column that falls silent";
        dead_cell_releases: "releases", 4.0 .. 8.0 .. 50.0, "so many releases in a row without an odour pulse mean a dead cell; goal: told after eight releases";
    }
}

settings! {
    /// When evidence becomes an alarm. Evidence is scaled so that 1 is its physical limit.
    DecisionSettings {
        stuck_threshold: "evidence", 0.2 .. 1.0 .. 5.0, "evidence at which stuck-open and stuck-closed are raised; physics: 1 is the limit that evidence is scaled to";
        stuck_deadband: "evidence", 0.0 .. 0.5 .. 1.0, "how far below the threshold it must fall to clear; common practice: a third to a half of the threshold";
        stuck_on_delay_s: "s", 0.0 .. 30.0 .. 3600.0, "how long it must stand; common practice: longer than any surge";
        stuck_off_delay_s: "s", 0.0 .. 300.0 .. 86400.0, "how long it must be gone; common practice: no more than a few changes of one alarm an hour";
        fouling_threshold: "evidence", 0.2 .. 1.0 .. 5.0, "evidence at which fouling is raised; physics: 1 is the limit that evidence is scaled to";
        fouling_deadband: "evidence", 0.0 .. 0.4 .. 1.0, "how far below the threshold it must fall to clear; common practice: a third to a half of the threshold";
        fouling_on_delay_s: "s", 0.0 .. 1800.0 .. 86400.0, "how long it must stand; common practice: short against the time allowed, long against a passing cause";
        fouling_off_delay_s: "s", 0.0 .. 7200.0 .. 604800.0, "how long it must be gone; common practice: no more than a few changes of one alarm an hour";
        sensor_threshold: "evidence", 0.2 .. 1.0 .. 5.0, "evidence at which sensor-fault is raised; physics: 1 is the limit that evidence is scaled to";
        sensor_deadband: "evidence", 0.0 .. 0.5 .. 1.0, "how far below the threshold it must fall to clear; common practice: a third to a half of the threshold";
        sensor_on_delay_s: "s", 0.0 .. 5.0 .. 3600.0, "how long it must stand; common practice: short against the time allowed, long against a passing cause";
        sensor_off_delay_s: "s", 0.0 .. 60.0 .. 86400.0, "how long it must be gone; common practice: no more than a few changes of one alarm an hour";
        stuck_latches: "0 or 1", 0.0 .. 1.0 .. 1.0, "whether stuck-open and stuck-closed stay until they are reset; common practice: a crew sees to them";
        fouling_latches: "0 or 1", 0.0 .. 0.0 .. 1.0, "whether fouling stays until it is reset; common practice: what gets better by itself needs no one";
        sensor_latches: "0 or 1", 0.0 .. 0.0 .. 1.0, "whether sensor-fault stays until it is reset; common practice: what gets better by itself needs no one";
    }
}

/// All settings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// What is measured.
    pub evidence: EvidenceSettings,
    /// When it becomes an alarm.
    pub decision: DecisionSettings,
}

impl DecisionSettings {
    /// Evidence at which the alarm for this fault is raised.
    pub fn threshold(&self, fault: Fault) -> f32 {
        match fault.kind() {
            AlarmKind::StuckOpen | AlarmKind::StuckClosed => self.stuck_threshold,
            AlarmKind::Fouling => self.fouling_threshold,
            AlarmKind::SensorFault => self.sensor_threshold,
        }
    }

    /// Threshold, deadband and delays of the alarm for one fault.
    pub fn limits(&self, fault: Fault) -> DebounceLimits {
        match fault.kind() {
            AlarmKind::StuckOpen | AlarmKind::StuckClosed => DebounceLimits {
                threshold: self.stuck_threshold,
                deadband: self.stuck_deadband,
                on_delay_s: self.stuck_on_delay_s,
                off_delay_s: self.stuck_off_delay_s,
            },
            AlarmKind::Fouling => DebounceLimits {
                threshold: self.fouling_threshold,
                deadband: self.fouling_deadband,
                on_delay_s: self.fouling_on_delay_s,
                off_delay_s: self.fouling_off_delay_s,
            },
            AlarmKind::SensorFault => DebounceLimits {
                threshold: self.sensor_threshold,
                deadband: self.sensor_deadband,
                on_delay_s: self.sensor_on_delay_s,
                off_delay_s: self.sensor_off_delay_s,
            },
        }
    }

    /// Whether the alarm for this fault latches.
    pub fn latches(&self, fault: Fault) -> bool {
        let value = match fault.kind() {
            AlarmKind::StuckOpen | AlarmKind::StuckClosed => self.stuck_latches,
            AlarmKind::Fouling => self.fouling_latches,
            AlarmKind::SensorFault => self.sensor_latches,
        };
        value >= 0.5
    }
}
