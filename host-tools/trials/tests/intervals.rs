//! Exact intervals against published values and another library.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use airvalve_trials::{poisson_mean_95, proportion_95};

/// The rows of a table of reference values, as numbers; columns that are none are NaN.
fn rows(table: &str) -> Vec<Vec<f64>> {
    let fields = |line: &str| line.split(',').map(|field| field.parse().unwrap_or(f64::NAN)).collect();
    table.lines().skip(1).map(fields).collect()
}

fn agrees(ours: f64, theirs: f64) -> bool {
    (ours - theirs).abs() < 1e-7 * theirs.abs().max(1e-3)
}

#[test]
fn a_proportion_has_the_interval_of_clopper_and_pearson() {
    // Source: Clopper and Pearson, Biometrika 26 (1934), 404, by beta quantiles of scipy 1.17.1 and statsmodels 0.15.0.
    let rows = rows(include_str!("../../../tests/reference/clopper_pearson.csv"));
    assert!(rows.len() > 20);
    for row in rows {
        let (low, high) = proportion_95(row[0] as u64, row[1] as u64);
        assert!(agrees(low, row[3]) && agrees(high, row[4]), "{row:?}: {low} {high}");
    }
}

#[test]
fn a_count_has_the_interval_of_garwood() {
    // Source: Garwood, Biometrika 28 (1936), 437, printed to three figures, and chi-squared quantiles of scipy 1.17.1.
    let rows = rows(include_str!("../../../tests/reference/poisson_exact.csv"));
    assert!(rows.len() > 50);
    for row in rows {
        let (low, high) = poisson_mean_95(row[0] as u64);
        assert!(agrees(low, row[2]) && agrees(high, row[3]), "{row:?}: {low} {high}");
        assert!((high - row[5]).abs() < 0.005 || row[5].is_nan(), "{row:?}: as printed");
    }
}

#[test]
fn nothing_to_judge_by_says_nothing() {
    assert_eq!(proportion_95(0, 0), (0.0, 1.0));
}
