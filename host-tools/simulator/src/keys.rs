//! Every key of a scenario file: bounds, unit, default, meaning. The parser, its messages and `SCENARIOS.md` read it.

use std::fmt::{self, Write as _};

/// What a key may be.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Allowed {
    Number {
        least: f64,
        most: f64,
        unit: &'static str,
    },
    Whole,
    Text,
    Flag,
    OneOf(&'static [&'static str]),
    AnyOf(&'static [&'static str]),
    /// RFC 3339.
    Time,
    /// RFC 3339, or hours after the start.
    When,
}

impl fmt::Display for Allowed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Allowed::Number { least, most, unit: "" } => write!(f, "{least} .. {most}"),
            Allowed::Number { least, most, unit } => write!(f, "{least} .. {most} {unit}"),
            Allowed::Whole => f.write_str("whole number from 0"),
            Allowed::Text => f.write_str("text"),
            Allowed::Flag => f.write_str("true or false"),
            Allowed::OneOf(words) => write!(f, "one of {}", words.join(", ")),
            Allowed::AnyOf(words) => write!(f, "a list of {}", words.join(", ")),
            Allowed::Time => f.write_str("RFC 3339 with offset"),
            Allowed::When => f.write_str("hours after the start from 0, or RFC 3339 with offset"),
        }
    }
}

/// What holds where a key is not given.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Preset {
    Number(f64),
    Word(&'static str),
    /// Worked out, or depending on the kind: what the reference says about it.
    Otherwise(&'static str),
    Required,
}

/// One key; `section` is empty at the top, and `x[]` stands for each table of `[[x]]`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Key {
    pub(crate) section: &'static str,
    pub(crate) name: &'static str,
    pub(crate) allowed: Allowed,
    pub(crate) preset: Preset,
    pub(crate) meaning: &'static str,
}

const fn key(
    section: &'static str,
    name: &'static str,
    allowed: Allowed,
    preset: Preset,
    meaning: &'static str,
) -> Key {
    Key { section, name, allowed, preset, meaning }
}

const fn number(least: f64, most: f64, unit: &'static str) -> Allowed {
    Allowed::Number { least, most, unit }
}

pub(crate) const FAULT_KINDS: &[&str] = &[
    "jammed-low",
    "large-seat-open",
    "small-seat-open",
    "jammed-up",
    "small-blocked",
    "large-shut",
    "clogging",
    "sluggish",
    "weeping",
    "heavy",
    "cut-off",
];
pub(crate) const SENSOR_FAULT_KINDS: &[&str] =
    &["wire-break", "short", "saturated", "flat-line", "drift", "noise", "dead-cell", "missing"];
pub(crate) const EVENT_KINDS: &[&str] = &[
    "pocket",
    "drain-down",
    "refill",
    "burst",
    "pump-trip",
    "storm",
    "quiet",
    "isolation",
    "cover-open",
    "flood",
    "change-over",
    "pressure-shift",
];
pub(crate) const CHANNEL_NAMES: &[&str] = &[
    "float_pct",
    "pressure_kpa",
    "odour_ppm",
    "line_pressure_kpa",
    "air_temp_c",
    "pressure_min_kpa",
    "pressure_max_kpa",
];
const CONTACT_NAMES: &[&str] = &["pump_on", "cover_open", "vault_water"];

use Allowed::{AnyOf, Flag, OneOf, Text, Time, When, Whole};
use Preset::{Number, Otherwise, Required, Word};

#[rustfmt::skip] // a table: one row a key
pub(crate) const KEYS: &[Key] = &[
    key("", "name", Text, Otherwise("the file's name"), "Name of the scenario, for people."),
    key("", "site", Text, Required, "Site file, relative to this file."),
    key("", "start", Time, Word("2031-03-01T00:00:00Z"), "Time of the first sample."),
    key("", "duration_h", number(0.001, 100_000.0, "h"), Number(24.0), "Length of the recording."),
    key("", "seed", Whole, Number(1.0), "Seed of all random numbers; the same seed gives the same codes."),
    key("", "sample_hz", number(1.0, 50.0, "samples/s"), Otherwise("the site's"), "Sampling rate."),
    key("", "channels", AnyOf(CHANNEL_NAMES), Otherwise("float, pressure, odour"), "Channels beside float, pressure and odour."),
    key("", "contacts", AnyOf(CONTACT_NAMES), Otherwise("pump_on"), "Contacts that are wired; an empty list for none."),
    key("", "steps", OneOf(&["adaptive", "fixed"]), Word("adaptive"), "`fixed` takes steps of a millisecond throughout: slow, for comparison."),
    key("plant", "main_diameter_mm", number(20.0, 3000.0, "mm"), Otherwise("1 m/s at the site's flow"), "Inside diameter of the main."),
    key("plant", "wave_speed_m_s", number(50.0, 1500.0, "m/s"), Number(1000.0), "Wave speed of the main."),
    key("plant", "reflection_s", number(0.05, 60.0, "s"), Number(2.0), "Time after which reflections have taken a change of flow up."),
    key("plant", "riser_length_m", number(0.1, 20.0, "m"), Number(0.6), "Length of the riser with the isolating valve."),
    key("plant", "riser_diameter_mm", number(10.0, 1000.0, "mm"), Otherwise("of the large orifice"), "Bore of the riser."),
    key("plant", "riser_loss", number(0.1, 200.0, ""), Number(5.0), "Loss coefficient of riser and isolating valve."),
    key("plant", "float_play_pct", number(0.0, 10.0, "% of stroke"), Number(0.3), "Play of a clean float, each way."),
    key("plant", "ripple_pct", number(0.0, 5.0, "% of stroke"), Number(0.1), "Ripple of the liquid under the float while a pump runs, standard deviation."),
    key("plant", "wall_heat_s", number(1.0, 10_000.0, "s"), Number(10.0), "Time constant of the heat exchange between cushion and wall."),
    key("plant", "pressure_wander_kpa", number(0.0, 100.0, "kPa"), Number(1.0), "Slow wander of the main's pressure, standard deviation."),
    key("plant", "initial", OneOf(&["sealed", "empty"]), Word("sealed"), "State at the start; `empty` waits for a refill."),
    key("plant", "initial_float_pct", number(0.0, 100.0, "% of stroke"), Number(90.0), "Float position at the start, when sealed."),
    key("inflow", "mean_l_s", number(0.0, 20_000.0, "L/s"), Otherwise("0.3 of the site's flow"), "Mean inflow to the wet well."),
    key("inflow", "day_swing_pct", number(0.0, 95.0, "%"), Number(50.0), "Swing over the day, of the mean."),
    key("inflow", "peak_hour", number(0.0, 24.0, "h UTC"), Number(9.0), "Hour of the greatest inflow."),
    key("inflow", "variation_pct", number(0.0, 80.0, "%"), Number(15.0), "Random variation over about ten minutes, standard deviation."),
    key("pump", "well_volume_m3", number(0.01, 100_000.0, "m3"), Otherwise("100 s of the site's flow"), "Volume of the wet well between pump stop and pump start."),
    key("pump", "initial_level_pct", number(0.0, 100.0, "%"), Number(30.0), "Level of that volume at the start."),
    key("pump", "start_s", number(0.05, 120.0, "s"), Number(1.5), "Time constant of the pressure's rise at a start."),
    key("pump", "stop_s", number(0.05, 120.0, "s"), Number(1.0), "Time constant of its fall at a stop."),
    key("pump", "start_surge_kpa", number(0.0, 3000.0, "kPa"), Otherwise("0.2 of working - static"), "First amplitude of the oscillation after a start."),
    key("pump", "stop_surge_kpa", number(0.0, 3000.0, "kPa"), Otherwise("0.4 of working - static"), "First amplitude of the oscillation after a stop."),
    key("pump", "surge_period_s", number(0.2, 120.0, "s"), Number(6.0), "Period of these oscillations."),
    key("pump", "surge_decay_s", number(0.2, 600.0, "s"), Number(8.0), "Time constant of their decay."),
    key("air", "base_nl_h", number(0.0, 100_000.0, "NL/h"), Number(10.0), "Air that arrives all the time."),
    key("air", "pumping_nl_h", number(0.0, 100_000.0, "NL/h"), Number(15.0), "Air that arrives besides while a pump runs."),
    key("air", "start_nl", number(0.0, 10_000.0, "NL"), Number(0.6), "Air that arrives besides after each pump start."),
    key("air", "start_spread_s", number(1.0, 3600.0, "s"), Number(60.0), "Time constant over which it comes."),
    key("air", "day_swing_pct", number(0.0, 100.0, "%"), Number(30.0), "Swing of the base over the day, greatest in the afternoon (15 h UTC)."),
    key("air", "slugs_per_day", number(0.0, 10_000.0, "1/d"), Number(12.0), "Slugs of air, at random."),
    key("air", "slug_nl", number(0.0, 100_000.0, "NL"), Number(1.5), "Mean size of a slug, exponentially distributed."),
    key("air", "trend_pct_d", number(-50.0, 50.0, "%/d"), Number(0.0), "Change of the base over the days, as by the season; never below nothing."),
    key("air", "train_slugs", number(0.0, 50.0, ""), Number(0.0), "Slugs that each pump start brings, one after another; whole."),
    key("air", "train_gap_s", number(1.0, 3600.0, "s"), Number(40.0), "Time from one slug of such a train to the next."),
    key("air", "edge_pct", number(0.0, 100.0, "%"), Number(50.0), "How sharp the release orifice's edge is: at 100 its coefficient follows the pressure ratio fully."),
    key("air", "is_moist", Flag, Word("true"), "Whether the air is saturated with water."),
    key("vault", "gas_h2s_ppm", number(0.0, 10_000.0, "ppm"), Otherwise("250, clean water 0"), "Hydrogen sulphide in the gas that the valve releases."),
    key("vault", "near_volume_l", number(1.0, 10_000.0, "L"), Number(50.0), "Air around the vent outlet, where the odour sensor hangs."),
    key("vault", "near_exchange_l_s", number(0.01, 1000.0, "L/s"), Number(2.5), "Its exchange with the rest of the vault."),
    key("vault", "stripping", number(0.0, 20.0, ""), Number(1.5), "Litres of air that a litre of spilled sewage brings to the gas's strength."),
    key("vault", "drain_l_s", number(0.0, 100.0, "L/s"), Number(0.5), "What the vault's drain takes away."),
    key("vault", "temperature_swing_c", number(0.0, 30.0, "K"), Number(2.0), "Swing of the vault's air temperature over the day."),
    key("true_valve", "random_share", number(0.0, 2.0, ""), Number(0.0), "Deviations that are not given are drawn within the site's limits times this; 0 for none."),
    key("true_valve", "small_opens_pct_off", number(-20.0, 20.0, "% of stroke"), Otherwise("0 or drawn"), "Shift of the small orifice's positions."),
    key("true_valve", "second_opens_pct_off", number(-20.0, 20.0, "% of stroke"), Otherwise("0 or drawn"), "Shift of the second stage's positions."),
    key("true_valve", "large_opens_pct_off", number(-20.0, 20.0, "% of stroke"), Otherwise("0 or drawn"), "Shift of the large orifice's positions."),
    key("true_valve", "small_coefficient_pct_off", number(-90.0, 100.0, "%"), Otherwise("0 or drawn"), "Deviation of the small orifice's flow."),
    key("true_valve", "second_coefficient_pct_off", number(-90.0, 100.0, "%"), Otherwise("0 or drawn"), "Deviation of the second stage's flow."),
    key("true_valve", "large_coefficient_pct_off", number(-90.0, 100.0, "%"), Otherwise("0 or drawn"), "Deviation of the large orifice's flow."),
    key("true_valve", "seal_volume_pct_off", number(-50.0, 50.0, "%"), Otherwise("0 or drawn"), "Deviation of the seal volume."),
    key("true_valve", "stroke_volume_pct_off", number(-50.0, 50.0, "%"), Otherwise("0 or drawn"), "Deviation of the stroke volume."),
    key("true_valve", "p_atm_kpa_off", number(-10.0, 10.0, "kPa"), Otherwise("0 or drawn"), "Deviation of the atmospheric pressure (weather)."),
    key("true_valve", "float_zero_pct_span", number(-10.0, 10.0, "% of span"), Otherwise("0 or drawn"), "Zero error of the float transmitter."),
    key("true_valve", "pressure_zero_pct_span", number(-10.0, 10.0, "% of span"), Otherwise("0 or drawn"), "Zero error of the chamber pressure transmitter."),
    key("true_valve", "odour_zero_pct_span", number(-10.0, 10.0, "% of span"), Otherwise("0 or drawn"), "Zero error of the odour transmitter."),
    key("true_valve", "line_zero_pct_span", number(-10.0, 10.0, "% of span"), Otherwise("0 or drawn"), "Zero error of the line pressure transmitter."),
    key("true_valve", "temperature_zero_pct_span", number(-10.0, 10.0, "% of span"), Otherwise("0 or drawn"), "Zero error of the temperature transmitter."),
    key("sensors", "noise_pct_span", number(0.0, 10.0, "% of span"), Number(0.1), "White noise of every transmitter, standard deviation."),
    key("fault[]", "kind", OneOf(FAULT_KINDS), Required, "What goes wrong."),
    key("fault[]", "onset", When, Number(0.0), "When it begins."),
    key("fault[]", "until", When, Otherwise("the end"), "When it is mended."),
    key("fault[]", "severity", number(0.0, 1.0, ""), Otherwise("by kind, below"), "How bad it becomes."),
    key("fault[]", "growth_h", number(0.0, 10_000.0, "h"), Otherwise("0; clogging 48"), "Time over which it grows, on a line, from nothing to its severity."),
    key("fault[]", "position_pct", number(0.0, 100.0, "% of stroke"), Otherwise("where it is caught"), "Of a jammed float: where it is dragged to. Without it, jammed-low is caught at the lowest position of the next release, jammed-up at the next rest."),
    key("fault[]", "orifice", OneOf(&["small", "second"]), Word("small"), "The release orifice that clogs, is blocked, held open or weeps."),
    key("sensor_fault[]", "kind", OneOf(SENSOR_FAULT_KINDS), Required, "What goes wrong."),
    key("sensor_fault[]", "channel", OneOf(CHANNEL_NAMES), Required, "On which channel; it must be fitted."),
    key("sensor_fault[]", "onset", When, Number(0.0), "When it begins."),
    key("sensor_fault[]", "until", When, Otherwise("the end"), "When it ends."),
    key("sensor_fault[]", "severity", number(0.0, 1000.0, ""), Otherwise("drift 2, noise 3"), "Of drift: % of span an hour; of noise: % of span, standard deviation."),
    key("sensor_fault[]", "is_downward", Flag, Word("false"), "Of drift and saturated: towards the low end."),
    key("event[]", "kind", OneOf(EVENT_KINDS), Required, "What happens."),
    key("event[]", "at", When, Required, "When it begins."),
    key("event[]", "duration_h", number(0.0, 10_000.0, "h"), Otherwise("by kind, below"), "How long it lasts."),
    key("event[]", "volume_m3", number(0.0, 10_000.0, "m3"), Otherwise("by kind, below"), "Of a pocket: its size at line pressure; of drain-down and burst: what drains from the high point."),
    key("event[]", "spread_s", number(0.1, 100_000.0, "s"), Number(30.0), "Of a pocket: the time in which it arrives."),
    key("event[]", "flow_l_s", number(0.01, 20_000.0, "L/s"), Otherwise("by kind, below"), "Of drain-down, burst: flow away from the high point; of refill: flow that fills it."),
    key("event[]", "drive_kpa", number(1.0, 95.0, "kPa"), Number(50.0), "Of drain-down, burst: the deepest vacuum that the falling column can draw."),
    key("event[]", "fall_s", number(0.1, 100_000.0, "s"), Otherwise("by kind, below"), "Of drain-down, burst: time constant of the pressure's fall; of pressure-shift: of its going and coming back."),
    key("event[]", "refill_after_h", number(0.0, 10_000.0, "h"), Otherwise("no refill"), "Of drain-down, burst: when filling begins again, counted from the beginning of the event."),
    key("event[]", "refill_flow_l_s", number(0.01, 20_000.0, "L/s"), Otherwise("0.5 of the site's flow"), "Of drain-down, burst: flow that fills the high point."),
    key("event[]", "factor", number(0.0, 100.0, ""), Otherwise("storm 4, quiet 0.1, change-over 0.8"), "Of storm and quiet: inflow times this; of change-over: the pump's rise of pressure times this, at most 3, from its next start on."),
    key("event[]", "by_kpa", number(-1000.0, 1000.0, "kPa"), Otherwise("must be given"), "Of pressure-shift: how far the main's pressure goes."),
    key("event[]", "surge_kpa", number(0.0, 3000.0, "kPa"), Otherwise("0.9 of working"), "Of a pump trip: first amplitude of the oscillation."),
    key("bus_fault[]", "kind", OneOf(&["nack", "stuck", "late"]), Required, "A converter that refuses, a bus that hangs, a converter whose clock is slow."),
    key("bus_fault[]", "onset", When, Number(0.0), "When it begins."),
    key("bus_fault[]", "until", When, Otherwise("the end"), "When it ends."),
    key("bus_fault[]", "share", number(0.0, 1.0, ""), Number(1.0), "Share of the samples that it hits."),
    key("bus_fault[]", "converter", OneOf(&["first", "second", "both"]), Word("both"), "Which converter."),
    key("sampling", "loss_pct", number(0.0, 100.0, "%"), Number(0.0), "Samples that are lost, at random."),
    key("sampling", "repeat_pct", number(0.0, 100.0, "%"), Number(0.0), "Samples that come twice, at random."),
    key("sampling", "burst_s", number(1.0, 3600.0, "s"), Otherwise("the site's"), "Length of a burst; with `every_s`."),
    key("sampling", "every_s", number(2.0, 86_400.0, "s"), Otherwise("the site's"), "From the start of one burst to the next; with `burst_s`."),
    key("gap[]", "from", When, Required, "From here every sample is lost …"),
    key("gap[]", "to", When, Required, "… to here."),
    key("clock_step[]", "at", When, Required, "When the device's clock is set."),
    key("clock_step[]", "by_s", number(-1e7, 1e7, "s"), Required, "By how much."),
];

const SECTIONS: &[(&str, &str)] = &[
    ("", "At the top of the file"),
    ("plant", "Main, riser and float"),
    ("inflow", "Inflow to the wet well"),
    ("pump", "Pump station"),
    ("air", "Air"),
    ("vault", "Vault and odour"),
    ("true_valve", "What the valve is, as against what its site file says"),
    ("sensors", "Transmitters"),
    ("fault[]", "Faults of the valve, as `[[fault]]`, one after another"),
    ("sensor_fault[]", "Faults of sensors, as `[[sensor_fault]]`"),
    ("event[]", "Events, as `[[event]]`"),
    ("bus_fault[]", "Faults of the bus, as `[[bus_fault]]`"),
    ("sampling", "Sampling"),
    ("gap[]", "Gaps, as `[[gap]]`"),
    ("clock_step[]", "Steps of the clock, as `[[clock_step]]`"),
];

/// The tables of `SCENARIOS.md`: every key with what is allowed, its default and its meaning.
pub fn reference() -> String {
    let mut page = String::new();
    for (section, title) in SECTIONS {
        let heading = match section.strip_suffix("[]") {
            Some(name) => format!("`[[{name}]]`: {title}"),
            None if section.is_empty() => (*title).to_owned(),
            None => format!("`[{section}]`: {title}"),
        };
        let _ = write!(page, "### {heading}\n\n| key | allowed | default | meaning |\n| --- | --- | --- | --- |\n");
        for row in KEYS.iter().filter(|row| row.section == *section) {
            let preset = match row.preset {
                Preset::Number(value) => value.to_string(),
                Preset::Word(word) | Preset::Otherwise(word) => word.to_owned(),
                Preset::Required => "must be given".to_owned(),
            };
            let _ = writeln!(page, "| `{}` | {} | {preset} | {} |", row.name, row.allowed, row.meaning);
        }
        page.push('\n');
    }
    page
}
