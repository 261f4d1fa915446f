//! Figures of the site crate against published values.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_site::{atmosphere::pressure_from_altitude_kpa, model::OrificeFlow};

/// The rows of a table of reference values, as fields.
fn rows(table: &str) -> Vec<Vec<String>> {
    let lines = table.lines().skip(1);
    let fields = |line: &str| line.split(',').map(str::to_owned).collect();
    lines.map(fields).collect()
}

#[test]
fn pressure_follows_iso_2533() {
    // Source: ISO 2533:1975 formulae, held against the library fluids 1.3.1 (ATMOSPHERE_1976); from -500 to 11,000 m.
    let rows = rows(include_str!("data/iso2533.csv"));
    assert!(rows.len() > 30);
    for row in rows {
        let (altitude_m, p_kpa): (f64, f64) = (row[0].parse().unwrap(), row[2].parse().unwrap());
        let ours = pressure_from_altitude_kpa(altitude_m);
        assert!((ours - p_kpa).abs() < 1e-5 * p_kpa, "{altitude_m} m: {ours} {p_kpa}");
    }
}

#[test]
fn steady_flow_follows_the_isentropic_law() {
    // Source: closed form of NACA Report 1135, held against fluids 1.3.1 and CoolProp 8.0.0.
    let rows = rows(include_str!("data/orifice_cases.csv"));
    assert!(rows.len() > 30);
    for row in rows {
        let number = |column: usize| -> f64 { row[column].parse().unwrap() };
        let orifice = OrificeFlow::Coefficient {
            diameter_mm: number(0),
            discharge_coefficient: number(1),
            reference_ratio: None,
        };
        let (p_atm_kpa, chamber_kpa) = (number(3), number(3) + number(4));
        let (upstream, downstream) = (p_atm_kpa.max(chamber_kpa), p_atm_kpa.min(chamber_kpa));
        let flow = orifice.steady(upstream, downstream, number(5));
        let expected_nl_min = number(8).abs() * 60.0;
        assert!((flow.nl_min - expected_nl_min).abs() <= 1e-5 * expected_nl_min, "{row:?} {flow:?}");
        if chamber_kpa != p_atm_kpa {
            assert_eq!(flow.is_choked, row[6] == "choked", "{row:?}");
        }
    }
}

#[test]
fn steady_flow_follows_iso_6358() {
    // Source: ISO 6358-1:2013 with exponent 0.5 (from memory), computed apart from this crate.
    let rows = rows(include_str!("data/iso6358.csv"));
    assert!(rows.len() > 10);
    for row in rows {
        let number = |column: usize| -> f64 { row[column].parse().unwrap() };
        let orifice = OrificeFlow::Conductance { sonic_conductance_dm3_s_bar: number(3), critical_ratio: number(4) };
        let flow = orifice.steady(number(5), number(6), number(7) - 273.15);
        // 1.2923 kg/m3: dry air at 0 degC and 101.325 kPa (ISO 2533 gas constant).
        let expected_nl_min = number(9) / 1.292_27 * 60_000.0;
        assert!((flow.nl_min - expected_nl_min).abs() <= 1e-4 * expected_nl_min, "{row:?} {flow:?}");
    }
}
