//! The plant around a valve at random: air, inflow, pump, vault, true valve, transmitters, as tables of a scenario file.

use std::fmt::Write as _;

use crate::{
    draw::{Draw, rounded},
    valve::{SHARE_OF_CAPACITY, Valve},
};

/// The plant of a valve: the tables of its scenario, and what is fitted.
pub(crate) struct Plant {
    pub(crate) tables: String,
    pub(crate) channels: Vec<&'static str>,
    pub(crate) contacts: Vec<&'static str>,
    /// Mean arrival of air, NL/h.
    pub(crate) arrival_nl_h: f64,
    /// What a person would say about it in a few words.
    pub(crate) traits: Vec<String>,
}

/// What sort of plant is wanted.
#[derive(Clone, Copy)]
pub(crate) struct Kind {
    pub(crate) least_cycles_per_h: f64,
    /// The zero of the float's transmitter may be off by twice its accuracy.
    pub(crate) may_have_float_zero: bool,
}

/// How the station pumps.
struct Pumping {
    /// Share of the time in which a pump runs.
    duty: f64,
    starts_per_h: f64,
}

impl Plant {
    pub(crate) fn draw(draw: &mut Draw, valve: &Valve, kind: Kind) -> Plant {
        let mut tables = String::new();
        let pumping = station(draw, valve, &mut tables);
        let mut traits = Vec::new();
        let arrival_nl_h = air(draw, valve, &pumping, kind.least_cycles_per_h, &mut tables, &mut traits);
        surroundings(draw, valve, &mut tables);
        if kind.may_have_float_zero && draw.chance(0.2) {
            let zero_pct = draw.pick(2.0, &[-2.0]);
            let key = format!("[true_valve]\nfloat_zero_pct_span = {zero_pct:?}\n");
            tables = tables.replacen("[true_valve]\n", &key, 1);
            traits.push(format!("float zero {zero_pct:+} %"));
        }
        let (channels, contacts) = fitted(draw);
        Plant { tables, channels, contacts, arrival_nl_h, traits }
    }
}

fn station(draw: &mut Draw, valve: &Valve, tables: &mut String) -> Pumping {
    let duty = draw.between(0.12, 0.4);
    let well_s = draw.log_between(60.0, 500.0);
    let rise_kpa = valve.working_kpa - valve.static_kpa;
    let _ = write!(
        tables,
        "[plant]
wave_speed_m_s = {:?}
reflection_s = {:?}
riser_length_m = {:?}
riser_loss = {:?}
float_play_pct = {:?}
ripple_pct = {:?}
wall_heat_s = {:?}
pressure_wander_kpa = {:?}
initial_float_pct = {:?}
[inflow]
mean_l_s = {:?}
day_swing_pct = {:?}
peak_hour = {:?}
variation_pct = {:?}
[pump]
well_volume_m3 = {:?}
initial_level_pct = {:?}
start_s = {:?}
stop_s = {:?}
start_surge_kpa = {:?}
stop_surge_kpa = {:?}
surge_period_s = {:?}
surge_decay_s = {:?}
",
        rounded(draw.between(300.0, 1200.0), 0),
        rounded(draw.between(1.0, 6.0), 1),
        rounded(draw.between(0.3, 1.5), 2),
        rounded(draw.between(2.0, 12.0), 1),
        rounded(draw.between(0.1, 0.6), 2),
        rounded(draw.between(0.02, 0.3), 2),
        rounded(draw.between(4.0, 25.0), 0),
        rounded(draw.between(0.001, 0.008) * valve.working_kpa, 2),
        rounded(valve.small.closes_above_pct, 0),
        rounded(duty * valve.flow_l_s, 2),
        rounded(draw.between(15.0, 85.0), 0),
        rounded(draw.between(6.0, 21.0), 1),
        rounded(draw.between(5.0, 30.0), 0),
        rounded(1e-3 * well_s * valve.flow_l_s, 3),
        rounded(draw.between(0.0, 95.0), 0),
        rounded(draw.between(0.7, 6.0), 1),
        rounded(draw.between(0.5, 4.0), 1),
        rounded(draw.between(0.05, 0.4) * rise_kpa, 1),
        // A main whose pressure falls to the atmosphere at every stop opens its large orifice there: that is a pump trip.
        rounded((draw.between(0.1, 0.6) * rise_kpa).min(0.5 * valve.static_kpa), 1),
        rounded(draw.between(2.0, 15.0), 1),
        rounded(draw.between(3.0, 20.0), 1),
    );
    // A well fills in well_s / duty and empties in well_s / (1 - duty).
    Pumping { duty, starts_per_h: 3600.0 / (well_s / duty + well_s / (1.0 - duty)) }
}

/// Air enough for up to fifteen release cycles an hour, and for no more than a tenth of what the small orifice passes.
fn air(
    draw: &mut Draw,
    valve: &Valve,
    pumping: &Pumping,
    least_cycles_per_h: f64,
    tables: &mut String,
    traits: &mut Vec<String>,
) -> f64 {
    let wanted_nl_h = draw.log_between(least_cycles_per_h, 15.0) * valve.cycle_nl();
    let total_nl_h = wanted_nl_h.min(SHARE_OF_CAPACITY * 3600.0 * valve.capacity_nl_s(valve.static_kpa));
    // Now and then most of the air comes as a train of slugs behind each pump start.
    let train_slugs = if draw.chance(0.15) { libm::rint(draw.between(2.0, 6.0)) } else { 0.0 };
    let at_starts = if train_slugs > 0.0 { draw.between(0.4, 0.7) } else { draw.between(0.05, 0.3) };
    let at_start_nl = at_starts * total_nl_h / pumping.starts_per_h;
    let trend_pct_d = if draw.chance(0.3) { draw.between(-5.0, 8.0) } else { 0.0 };
    let base = draw.between(0.3, 0.7) * (1.0 - at_starts);
    let pumped = 1.0 - at_starts - base;
    let slugs_per_day = draw.log_between(2.0, 30.0);
    let slug_nl = draw.between(0.1, 0.7) * valve.cycle_nl();
    let slug_nl = if train_slugs > 0.0 { at_start_nl / train_slugs } else { slug_nl };
    if train_slugs > 0.0 {
        traits.push(format!("{train_slugs} slugs behind each start"));
    }
    if trend_pct_d != 0.0 {
        traits.push(format!("air {trend_pct_d:+.1} % a day"));
    }
    let _ = write!(
        tables,
        "[air]
base_nl_h = {:?}
pumping_nl_h = {:?}
start_nl = {:?}
start_spread_s = {:?}
day_swing_pct = {:?}
slugs_per_day = {:?}
slug_nl = {:?}
train_slugs = {train_slugs:?}
train_gap_s = {:?}
trend_pct_d = {:?}
edge_pct = {:?}
",
        rounded(base * total_nl_h, 3),
        rounded(pumped * total_nl_h / pumping.duty, 3),
        rounded(if train_slugs > 0.0 { 0.0 } else { at_start_nl }, 4),
        rounded(draw.between(20.0, 150.0), 0),
        rounded(draw.between(0.0, 50.0), 0),
        rounded(slugs_per_day, 1),
        rounded(slug_nl, 4),
        rounded(draw.between(15.0, 90.0), 0),
        rounded(trend_pct_d, 2),
        rounded(draw.between(0.0, 100.0), 0),
    );
    total_nl_h + slugs_per_day * slug_nl / 24.0
}

fn surroundings(draw: &mut Draw, valve: &Valve, tables: &mut String) {
    let random_share = if draw.chance(0.85) { 1.0 } else { 0.3 };
    let _ = write!(
        tables,
        "[vault]
gas_h2s_ppm = {:?}
near_volume_l = {:?}
near_exchange_l_s = {:?}
stripping = {:?}
drain_l_s = {:?}
temperature_swing_c = {:?}
[true_valve]
random_share = {random_share:?}
[sensors]
noise_pct_span = {:?}
",
        valve.gas_ppm,
        valve.near_l,
        rounded(valve.near_l * draw.between(0.02, 0.08), 2),
        rounded(draw.between(0.8, 2.5), 2),
        rounded(draw.log_between(0.1, 3.0), 2),
        rounded(draw.between(0.5, 5.0), 1),
        rounded(draw.log_between(0.03, 0.2), 3),
    );
}

fn fitted(draw: &mut Draw) -> (Vec<&'static str>, Vec<&'static str>) {
    let mut channels = Vec::new();
    if draw.chance(0.4) {
        channels.push("line_pressure_kpa");
    }
    if draw.chance(0.4) {
        channels.push("air_temp_c");
    }
    if draw.chance(0.3) {
        channels.extend(["pressure_min_kpa", "pressure_max_kpa"]);
    }
    let mut contacts = Vec::new();
    if draw.chance(0.75) {
        contacts.push("pump_on");
    }
    if draw.chance(0.25) {
        contacts.extend(["cover_open", "vault_water"]);
    }
    (channels, contacts)
}
