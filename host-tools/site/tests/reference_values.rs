//! Figures of the site crate against published values.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_site::atmosphere::pressure_from_altitude_kpa;

/// The rows of a table of reference values, as fields.
fn rows(table: &str) -> Vec<Vec<String>> {
    let lines = table.lines().skip(1);
    let fields = |line: &str| line.split(',').map(str::to_owned).collect();
    lines.map(fields).collect()
}

#[test]
fn pressure_follows_iso_2533() {
    // Source: ISO 2533:1975 formulae, held against the library fluids 1.3.1 (ATMOSPHERE_1976); from -500 to 11,000 m.
    let rows = rows(include_str!("../../../tests/reference/iso2533.csv"));
    assert!(rows.len() > 30);
    for row in rows {
        let (altitude_m, p_kpa): (f64, f64) = (row[0].parse().unwrap(), row[2].parse().unwrap());
        let ours = pressure_from_altitude_kpa(altitude_m);
        assert!((ours - p_kpa).abs() < 1e-5 * p_kpa, "{altitude_m} m: {ours} {p_kpa}");
    }
}
