//! Every key of a site file, a main file and a labels file: bounds, unit, default, meaning.

use airvalve_monitor::{
    Fault,
    fault::{SENSOR_FAULTS, VALVE_FAULTS},
};
use airvalve_sensors::Channel;

use crate::schema::{
    Allowed::{self, FileName, FileNames, Id, OneOf, Text, Time},
    Key,
    Preset::{self, Computed, Conditional, Number, Required, Word},
    Schema,
};

/// Name of a channel's table under `[sensors]`.
pub const fn sensor_table(channel: Channel) -> &'static str {
    match channel {
        Channel::FloatPosition => "float",
        Channel::ChamberPressure => "pressure",
        Channel::Odour => "odour",
        Channel::LinePressure => "line_pressure",
        Channel::AirTemperature => "temperature",
        Channel::PressureMin => "pressure_min",
        Channel::PressureMax => "pressure_max",
    }
}

const fn key(path: &'static str, allowed: Allowed, preset: Preset, meaning: &'static str) -> Key {
    Key { path, allowed, preset, meaning }
}

const fn number(least: f64, most: f64, unit: &'static str) -> Allowed {
    Allowed::Number { least, most, unit }
}

/// A site file.
pub const SITE: Schema = Schema {
    keys: SITE_KEYS,
    wildcards: &[
        sensor_table(Channel::FloatPosition),
        sensor_table(Channel::ChamberPressure),
        sensor_table(Channel::Odour),
        sensor_table(Channel::LinePressure),
        sensor_table(Channel::AirTemperature),
        sensor_table(Channel::PressureMin),
        sensor_table(Channel::PressureMax),
    ],
};

/// A main file.
pub const MAIN: Schema = Schema { keys: MAIN_KEYS, wildcards: &[] };

/// A labels file.
pub const LABELS: Schema = Schema { keys: LABELS_KEYS, wildcards: &[] };

/// The keys of a site file, in the order of the template.
#[rustfmt::skip] // a table: one row a key
const SITE_KEYS: &[Key] = &[
    key("site.name", Text, Required("\"High point 3, north main\""), "Name for people."),
    key("site.altitude_m", number(-430.0, 6000.0, "m"), Required("85.0"), "Geometric altitude of the valve above sea level."),
    key("site.valve_id", Id, Computed("the file's name"), "Id of the valve in results, journals and dashboards."),
    key("site.p_atm_kpa", number(60.0, 110.0, "kPa absolute"), Computed("from the altitude (ISO 2533)"), "Local atmospheric pressure."),
    key("line.static_kpa", number(0.0, 10_000.0, "kPa gauge"), Required("180.0"), "Pressure of the main at the valve, pumps stopped."),
    key("line.working_kpa", number(1.0, 10_000.0, "kPa gauge"), Required("320.0"), "Pressure of the main at the valve, pumps running."),
    key("line.allowable_kpa", number(10.0, 10_000.0, "kPa gauge"), Required("1000.0"), "Highest pressure the main may see."),
    key("line.flow_l_s", number(0.1, 20_000.0, "L/s"), Required("28.0"), "Pumped flow."),
    key("line.largest_pocket_m3", number(0.0, 50.0, "m3 at line pressure"), Number(0.5), "Largest air pocket that is no fault in itself."),
    key("valve.seal_volume_l", number(0.01, 500.0, "L"), Required("1.2"), "Air space with the float fully up."),
    key("valve.stroke_volume_l", number(0.01, 500.0, "L"), Required("6.0"), "Air space gained with the float fully down."),
    key("valve.large_orifice.diameter_mm", number(2.0, 1000.0, "mm"), Required("50.0"), "Diameter of the large orifice."),
    key("valve.large_orifice.discharge_coefficient", number(0.1, 1.0, ""), Required("0.62"), "Discharge coefficient for air that leaves."),
    key("valve.large_orifice.inflow_coefficient", number(0.1, 1.0, ""), Computed("discharge_coefficient"), "Discharge coefficient for air that enters."),
    key("valve.large_orifice.opens_below_pct", number(0.0, 100.0, "% of stroke"), Required("20.0"), "Float position below which the large orifice may open."),
    key("valve.large_orifice.closes_above_pct", number(0.0, 100.0, "% of stroke"), Computed("opens_below_pct + 2"), "Float position above which the large orifice is shut."),
    key("valve.large_orifice.reopen_kpa", number(0.0, 100.0, "kPa gauge"), Required("5.0"), "Chamber pressure above which the large orifice stays shut."),
    key("valve.release_orifice[].diameter_mm", number(0.1, 100.0, "mm"), Conditional("2.5"), "Diameter of the release orifice."),
    key("valve.release_orifice[].discharge_coefficient", number(0.1, 1.0, ""), Conditional("0.65"), "Discharge coefficient at the reference ratio."),
    key("valve.release_orifice[].opens_below_pct", number(0.0, 100.0, "% of stroke"), Required("80.0"), "Float position below which the orifice opens."),
    key("valve.release_orifice[].closes_above_pct", number(0.0, 100.0, "% of stroke"), Required("92.0"), "Float position above which the orifice is shut."),
    key("valve.release_orifice[].reference_ratio", number(0.0, 1.0, ""), Computed("at working pressure"), "Pressure ratio p2/p1 at which the coefficient holds."),
    key("valve.release_orifice[].sonic_conductance_dm3_s_bar", number(1e-4, 1000.0, "dm3/(s bar)"), Computed("diameter and coefficient"), "Sonic conductance (ISO 6358-1), instead of diameter and coefficient."),
    key("valve.release_orifice[].critical_ratio", number(0.0, 0.99, ""), Computed("diameter and coefficient"), "Critical pressure ratio (ISO 6358-1), with the sonic conductance."),
    key("vault.volume_m3", number(0.1, 10_000.0, "m3"), Required("5.0"), "Air volume of the vault."),
    key("vault.air_changes_per_h", number(0.0, 1000.0, "1/h"), Required("2.0"), "Air changes of the vault."),
    key("water.kind", OneOf(&["sewage", "clean"]), Word("sewage"), "What runs in the main; clean water gives off no hydrogen sulphide."),
    key("water.temperature_c", number(0.0, 40.0, "degC"), Number(12.0), "Temperature of the water, and of the air in the body."),
    key("sensors.sample_hz", number(1.0, 50.0, "samples/s"), Required("10.0"), "Sampling rate."),
    key("sensors.*.low", number(-1e5, 1e5, "in the channel's unit"), Computed("usual for the channel"), "Quantity at 4 mA."),
    key("sensors.*.high", number(-1e5, 1e5, "in the channel's unit"), Computed("usual for the channel"), "Quantity at 20 mA."),
    key("sensors.*.accuracy_pct_span", number(0.0, 5.0, "% of span"), Computed("usual for the channel"), "Accuracy of the transmitter; for a pressure, of its zero."),
    key("sensors.*.lag_s", number(0.0, 120.0, "s"), Computed("usual for the channel"), "Time constant of the transmitter."),
    key("sampling.mode", OneOf(&["continuous", "burst"]), Word("continuous"), "Whether sampling goes on all the time."),
    key("sampling.burst_s", number(1.0, 3600.0, "s"), Conditional("20.0"), "Length of a burst, in burst mode."),
    key("sampling.every_s", number(2.0, 86_400.0, "s"), Conditional("300.0"), "From the start of one burst to the next, in burst mode."),
    key("uncertainty.coefficient_pct", number(0.0, 50.0, "%"), Number(5.0), "Limits of the discharge coefficients."),
    key("uncertainty.diameter_pct", number(0.0, 50.0, "%"), Number(1.0), "Limits of the diameters."),
    key("uncertainty.volume_pct", number(0.0, 50.0, "%"), Number(2.0), "Limits of the body's volumes."),
    key("uncertainty.position_pct_stroke", number(0.0, 50.0, "% of stroke"), Number(1.5), "Limits of the float position."),
    key("uncertainty.p_atm_kpa", number(0.0, 20.0, "kPa"), Number(3.0), "Limits of the atmospheric pressure (weather)."),
    key("uncertainty.temperature_c", number(0.0, 50.0, "degC"), Number(5.0), "Limits of the air's temperature."),
    key("planned_work[].from", Time, Required("2026-03-01T08:00:00Z"), "Start of the work."),
    key("planned_work[].to", Time, Required("2026-03-01T16:00:00Z"), "End of the work."),
    key("planned_work[].note", Text, Required("\"pump 2 serviced, main drained\""), "What is done."),
];

#[rustfmt::skip]
const MAIN_KEYS: &[Key] = &[
    key("main.name", Text, Required("\"North rising main\""), "Name for people."),
    key("valve[].site", FileName, Required("\"valve-a.toml\""), "The valve's site file."),
    key("valve[].files", FileNames, Required("[\"night-1.airvalve\"]"), "The valve's recordings or CSV files."),
    key("valve[].chainage_m", number(0.0, 1e6, "m"), Computed("not given"), "Distance along the main from the station."),
    key("valve[].elevation_m", number(-500.0, 6000.0, "m"), Computed("not given"), "Elevation of the main at the valve."),
];

/// The kinds of alarm, and none.
const KINDS: &[&str] = &["stuck-open", "stuck-closed", "fouling", "sensor-fault", "none"];
/// Every fault by its name.
const FAULTS: [&str; VALVE_FAULTS + SENSOR_FAULTS] = {
    let mut names = [""; VALVE_FAULTS + SENSOR_FAULTS];
    let mut place = 0;
    while place < names.len() {
        let fault = if place < VALVE_FAULTS { Fault::VALVE[place] } else { Fault::SENSOR[place - VALVE_FAULTS] };
        names[place] = fault.name();
        place += 1;
    }
    names
};

#[rustfmt::skip]
const LABELS_KEYS: &[Key] = &[
    key("label[].file", FileName, Required("\"night-1.airvalve\""), "The recording or CSV file that was looked at."),
    key("label[].kind", OneOf(KINDS), Required("\"stuck-open\""), "What was wrong; `none` where nothing was."),
    key("label[].fault", OneOf(&FAULTS), Computed("not known"), "Which fault it was."),
    key("label[].from", Time, Conditional("2026-03-01T21:14:00Z"), "Since when it was wrong; not with `none`."),
    key("label[].to", Time, Computed("to the end"), "Until when."),
    key("label[].note", Text, Computed("not given"), "A remark for people."),
];
