//! A body with its riser shut blows down through the small orifice: the step against closed forms and against an
//! integration of the textbook's equations that shares nothing with it.

use std::path::Path;

use airvalve_simulator::Scenario;
use airvalve_site::Site;

use crate::{
    cushion::{Body, Drive, Frame},
    float::Float,
    gas::Gas,
    pipe::Source,
    plant::frame,
    slosh::Surface,
    valve::{SMALL, Valve},
    wear::Condition,
};

const START_K: f64 = 285.15;
const START_PA: f64 = 420_000.0;
const GAS: f64 = 287.053;
const COEFFICIENT: f64 = 0.65;

fn body_of(film_w_k: f64) -> (Frame, Body) {
    let site = Site::parse(include_str!("../../simulator/examples/valve-a.toml"), Path::new("valve-a.toml"));
    let site = site.expect("the example is good");
    let scenario = Scenario::parse("site = \"valve-a.toml\"\n[air]\nis_moist = false\nedge_pct = 0\n", Path::new("x"));
    let scenario = scenario.expect("the scenario is good");
    let valve = Valve::new(&scenario.true_valve, &site, 0.0, 1);
    let mut frame = frame(&scenario, &site, valve, 0.1);
    frame.film_w_k = film_w_k;
    // A wall that gives heat and does not cool.
    frame.wall_j_m3_k = 1e15;
    frame.liquid_k = START_K;
    let air_m3 = frame.valve.seal_m3 + 0.3 * frame.valve.stroke_m3;
    let body = Body {
        air_kg: START_PA * air_m3 / (GAS * START_K),
        gas_k: START_K,
        wall_k: START_K,
        air_m3,
        riser_m3_s: 0.0,
        fast_m3_s: [0.0; 2],
        float: Float { position: 0.7, ..Float::default() },
        surface: Surface::default(),
        lift: [0.0, 1.0, 0.0],
    };
    (frame, body)
}

/// Absolute pressures after each of so many steps of `dt_s`.
fn blow_down(film_w_k: f64, dt_s: f64, steps: usize) -> (Frame, Vec<f64>) {
    let (frame, mut body) = body_of(film_w_k);
    let condition = Condition::clean(0.003);
    let drive = Drive {
        source: Source { pa: 0.0, resistance: 0.0, is_still: true },
        arrival_kg_s: 0.0,
        condition: &condition,
        riser_open: 0.0,
        outside: Gas { pa: frame.valve.atmosphere_pa, k: START_K, vapour_pa: 0.0 },
        is_open: [false, true, false],
    };
    let mut pressures = Vec::new();
    for _ in 0..steps {
        let (after, passed) = frame.step(&body, &drive, dt_s);
        assert!(passed.out_kg[SMALL] >= 0.0 && passed.liquid_m3 == 0.0);
        body = after;
        pressures.push(frame.chamber_pa_abs(&body));
    }
    (frame, pressures)
}

/// `Cd A` over the volume, 1/m.
fn opening(frame: &Frame) -> f64 {
    let area_m2 = 0.25 * std::f64::consts::PI * 2.5e-3 * 2.5e-3;
    COEFFICIENT * area_m2 / (frame.valve.seal_m3 + 0.3 * frame.valve.stroke_m3)
}

/// `sqrt(g) (2/(g+1))^((g+1)/(2(g-1)))` for 1.4. Source: White, Fluid Mechanics, ch. 9.
const CHOKED: f64 = 0.684_731;

#[test]
fn an_adiabatic_body_blows_down_along_the_closed_form() {
    // Source: rigid adiabatic vessel, choked (Shapiro, Dynamics and Thermodynamics of Compressible Fluid Flow, vol. 1):
    // p/p0 = (1 + (g-1)/2 K Cd A sqrt(R T0) t / V)^(-2g/(g-1)).
    let dt_s = 0.002;
    let (frame, pressures) = blow_down(0.0, dt_s, 1000);
    let rate = CHOKED * opening(&frame) * (GAS * START_K).sqrt();
    let mut compared = 0;
    for (i, pressure) in pressures.iter().enumerate() {
        let t_s = dt_s * (i + 1) as f64;
        let expected = START_PA * (1.0 + 0.2 * rate * t_s).powf(-7.0);
        if expected > frame.valve.atmosphere_pa / 0.53 {
            assert!((pressure / expected - 1.0).abs() < 0.003, "{t_s} s: {pressure} Pa, expected {expected}");
            compared += 1;
        }
    }
    assert!(compared > 500, "{compared}");
}

#[test]
fn an_isothermal_body_blows_down_along_the_closed_form() {
    // Source: rigid isothermal vessel, choked: p/p0 = exp(-K Cd A sqrt(R T0) t / V); the same book.
    let dt_s = 0.002;
    let (frame, pressures) = blow_down(1e9, dt_s, 1000);
    let rate = CHOKED * opening(&frame) * (GAS * START_K).sqrt();
    for (i, pressure) in pressures.iter().enumerate() {
        let t_s = dt_s * (i + 1) as f64;
        let expected = START_PA * (-rate * t_s).exp();
        if expected > frame.valve.atmosphere_pa / 0.53 {
            assert!((pressure / expected - 1.0).abs() < 0.003, "{t_s} s: {pressure} Pa, expected {expected}");
        }
    }
}

#[test]
fn the_subsonic_end_agrees_with_an_integration_in_small_steps() {
    // Source: isentropic flow (NACA Report 1135) and the energy equation of an adiabatic vessel, explicit midpoint rule.
    let dt_s = 0.002;
    let steps = 4000;
    let (frame, pressures) = blow_down(0.0, dt_s, steps);
    let atmosphere = frame.valve.atmosphere_pa;
    let slope = |p: f64| {
        // Along the isentrope: T = T0 (p/p0)^(2/7), dp/dt = -g R T m / V.
        let k = START_K * (p / START_PA).powf(2.0 / 7.0);
        let r = (atmosphere / p).max(0.528_28);
        let flux = p * (7.0 / (GAS * k) * (r.powf(10.0 / 7.0) - r.powf(12.0 / 7.0))).max(0.0).sqrt();
        -1.4 * GAS * k * opening(&frame) * flux
    };
    let fine_s = 2e-5;
    let mut p = START_PA;
    for pressure in pressures {
        for _ in 0..100 {
            let middle = p + 0.5 * fine_s * slope(p);
            p += fine_s * slope(middle);
        }
        let difference = (pressure - p).abs();
        assert!(difference < 0.004 * (p - atmosphere) + 100.0, "{pressure} Pa, expected {p}");
    }
    assert!(p - atmosphere < 3_000.0, "the body is blown down to {} Pa gauge", p - atmosphere);
}
