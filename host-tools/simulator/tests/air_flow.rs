//! Flow of air through orifices, against reference values that were not made by this project.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{collections::HashMap, path::Path};

use airvalve_simulator::air::{NORMAL_LITRE_KG, Passage, mass_flux_kg_s_m2};
use airvalve_site::model::OrificeFlow;

fn rows(name: &str) -> Vec<HashMap<String, String>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference");
    let mut reader = csv::Reader::from_path(folder.join(name)).expect("the reference values are there");
    reader.deserialize().map(|row| row.expect("a row of text")).collect()
}

fn number(row: &HashMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} of {row:?}"))
}

fn assert_near(found: f64, expected: f64, relative: f64, row: &HashMap<String, String>) {
    assert!((found - expected).abs() <= relative * expected.abs() + 1e-12, "{found} for {expected} in {row:?}");
}

#[test]
fn isentropic_flow_agrees_with_the_reference() {
    // Source: closed form (White, Fluid Mechanics, ch. 9), computed apart; tests/reference/isentropic_flow.csv.
    let rows = rows("isentropic_flow.csv");
    assert!(rows.len() > 200);
    for row in rows {
        let flux = mass_flux_kg_s_m2(1e3 * number(&row, "p1_kpa"), 1e3 * number(&row, "p2_kpa"), number(&row, "t1_k"));
        // The finest ratio, 0.999, is given with three digits less than the flow needs.
        assert_near(flux, number(&row, "mass_flux_kg_s_m2"), 2e-6, &row);
    }
}

#[test]
fn orifices_let_air_out_and_in_as_the_reference_says() {
    // Source: closed form in both directions, computed apart; tests/reference/orifice_cases.csv.
    for row in rows("orifice_cases.csv") {
        let coefficient = number(&row, "cd");
        let passage = Passage::rounded(number(&row, "d_mm"), coefficient, coefficient);
        let p_atm_pa = 1e3 * number(&row, "p_atm_kpa");
        let chamber_pa = p_atm_pa + 1e3 * number(&row, "p_gauge_kpa");
        let air_k = 273.15 + number(&row, "t_c");
        let flow = if chamber_pa >= p_atm_pa {
            passage.mass_flow_kg_s(chamber_pa, p_atm_pa, air_k, false)
        } else {
            -passage.mass_flow_kg_s(p_atm_pa, chamber_pa, air_k, true)
        };
        assert_near(flow, number(&row, "mass_flow_kg_s_out_positive"), 1e-8, &row);
        assert_near(flow / NORMAL_LITRE_KG, number(&row, "normal_l_s"), 2e-6, &row);
    }
}

#[test]
fn sonic_conductance_gives_the_flow_of_iso_6358() {
    // Source: ISO 6358-1:2013 with m = 0.5, computed apart; tests/reference/iso6358.csv.
    for row in rows("iso6358.csv") {
        let flow = OrificeFlow::Conductance {
            sonic_conductance_dm3_s_bar: number(&row, "c_dm3_s_bar"),
            critical_ratio: number(&row, "b"),
        };
        let passage = Passage::from_flow(flow, 0.25, 0.0);
        let flow = passage.mass_flow_kg_s(
            1e3 * number(&row, "p1_kpa"),
            1e3 * number(&row, "p2_kpa"),
            number(&row, "t1_k"),
            false,
        );
        assert_near(flow, number(&row, "iso6358_mass_flow_kg_s"), 1e-6, &row);
    }
}

#[test]
fn a_sharp_edge_lets_relatively_more_through_as_the_ratio_falls() {
    let flow = |edge| {
        let orifice =
            OrificeFlow::Coefficient { diameter_mm: 2.5, discharge_coefficient: 0.65, reference_ratio: Some(0.53) };
        Passage::from_flow(orifice, 0.25, edge).mass_flow_kg_s(1.0e6, 0.24e6, 285.0, false)
    };
    // Source: Perry's Chemical Engineers' Handbook: 0.83 at a ratio of 0.24, 0.74 at 0.53.
    assert!((flow(1.0) / flow(0.0) - 0.83 / 0.74).abs() < 1e-9);
}
