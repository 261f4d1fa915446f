//! Exact 95 % intervals of a proportion and of a rate.

use statrs::distribution::{Beta, ContinuousCDF, Gamma};

/// Two-sided: so much on either side.
const TAIL: f64 = 0.025;

/// Clopper-Pearson interval of a proportion, 95 %; 0 to 1 when there is nothing to judge by.
///
/// # Source
/// Published: Clopper and Pearson, Biometrika 26 (1934), 404; as quantiles of the beta distribution.
pub fn proportion_95(found: u64, of: u64) -> (f64, f64) {
    if of == 0 {
        return (0.0, 1.0);
    }
    let (x, n) = (found.min(of) as f64, of as f64);
    let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map(|beta| beta.inverse_cdf(p));
    let low = if found == 0 { 0.0 } else { quantile(x, n - x + 1.0, TAIL).unwrap_or(0.0) };
    let high = if found >= of { 1.0 } else { quantile(x + 1.0, n - x, 1.0 - TAIL).unwrap_or(1.0) };
    (low, high)
}

/// Exact interval of the mean of a Poisson count, 95 %.
///
/// # Source
/// Published: Garwood, Biometrika 28 (1936), 437; as quantiles of the gamma distribution.
pub fn poisson_mean_95(events: u64) -> (f64, f64) {
    let quantile = |shape: f64, p: f64| Gamma::new(shape, 1.0).map(|gamma| gamma.inverse_cdf(p));
    let low = if events == 0 { 0.0 } else { quantile(events as f64, TAIL).unwrap_or(0.0) };
    (low, quantile(events as f64 + 1.0, 1.0 - TAIL).unwrap_or(f64::INFINITY))
}
