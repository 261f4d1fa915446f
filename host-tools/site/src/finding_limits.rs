//! Thresholds of the findings: what an engineer looks for in the samples, in numbers.
//!
//! They are the host's alone: no device knows them, and they do not change the digest of its settings.

use airvalve_monitor::settings::SettingRow;

macro_rules! finding_limits {
    ($($field:ident: $unit:literal, $least:literal .. $default:literal .. $most:literal, $meaning:literal;)*) => {
        /// Thresholds of the findings; the names carry the units.
        #[derive(Clone, Copy, Debug, PartialEq)]
        pub struct FindingLimits {
            $(#[doc = $meaning] pub $field: f32,)*
        }

        impl FindingLimits {
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

        impl Default for FindingLimits {
            fn default() -> Self {
                FindingLimits { $($field: $default,)* }
            }
        }
    };
}

finding_limits! {
    join_s: "s", 0.0 .. 60.0 .. 86400.0, "spells of vacuum, or of trapped air, less than this apart are one finding; common practice";
    vacuum_kpa: "kPa", 0.5 .. 5.0 .. 90.0, "chamber pressure below minus this is a vacuum; common practice: what a pipe and its joints bear for ever";
    vacuum_s: "s", 0.0 .. 2.0 .. 86400.0, "how long a vacuum must last; common practice: longer than any surge";
    vacuum_deadband_kpa: "kPa", 0.1 .. 2.5 .. 50.0, "a vacuum ends when the pressure is back above its limit by this; common practice: above the noise of a transmitter that reads to surge pressure";
    trapped_s: "s", 0.0 .. 300.0 .. 86400.0, "how long air must stand at the high point to be trapped; common practice: several times the length of a release";
    trapped_share_of_static: "of static", 0.01 .. 0.3 .. 1.0, "chamber pressure above this share of static means that the line is under pressure; the share at which the detector says so too";
    trapped_deadband_pct: "% of stroke", 0.1 .. 1.0 .. 20.0, "trapped air is gone when the float is above its opening position by this; the accuracy of a usual position transmitter";
    odour_ppm: "ppm", 0.1 .. 10.0 .. 10000.0, "hydrogen sulphide at or above this is a high odour; the ceiling for ten minutes (NIOSH Pocket Guide)";
    odour_severe_ppm: "ppm", 0.1 .. 100.0 .. 10000.0, "hydrogen sulphide at or above this is a severe one; immediately dangerous (NIOSH Pocket Guide)";
    odour_s: "s", 0.0 .. 60.0 .. 86400.0, "how long a high odour must last; common practice: three time constants of a usual cell";
    odour_join_s: "s", 0.0 .. 600.0 .. 86400.0, "spells of high odour less than this apart are one finding; the ten minutes of the ceiling";
    odour_deadband_ppm: "ppm", 0.1 .. 1.0 .. 1000.0, "a high odour ends when the concentration is below its limit by this; common practice: well above the noise of a usual cell";
}
