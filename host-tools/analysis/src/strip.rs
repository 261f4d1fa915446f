//! The whole time in a few hundred columns, for a picture; the time range need not be known beforehand.

use airvalve_monitor::ValveState;

use crate::findings::View;

/// Most columns that are kept; when full, two by two are joined.
const MOST: usize = 1024;
const FIRST_WIDTH_US: i64 = 1_000_000;

/// What one column holds; NaN where there was nothing.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(missing_docs)] // the names carry the units
pub struct Bucket {
    pub float_least_pct: f32,
    pub float_greatest_pct: f32,
    pub pressure_greatest_kpa: f32,
    pub odour_greatest_ppm: f32,
    /// Samples in each state, by the states' ids.
    pub samples_in: [u32; 5],
}

const NOTHING: Bucket = Bucket {
    float_least_pct: f32::NAN,
    float_greatest_pct: f32::NAN,
    pressure_greatest_kpa: f32::NAN,
    odour_greatest_ppm: f32::NAN,
    samples_in: [0; 5],
};

impl Bucket {
    fn join(&mut self, other: &Bucket) {
        self.float_least_pct = self.float_least_pct.min(other.float_least_pct);
        self.float_greatest_pct = self.float_greatest_pct.max(other.float_greatest_pct);
        self.pressure_greatest_kpa = self.pressure_greatest_kpa.max(other.pressure_greatest_kpa);
        self.odour_greatest_ppm = self.odour_greatest_ppm.max(other.odour_greatest_ppm);
        for (samples, more) in self.samples_in.iter_mut().zip(other.samples_in) {
            *samples = samples.saturating_add(more);
        }
    }

    /// Share of the samples in a state; NaN without samples.
    pub fn share_in(&self, state: ValveState) -> f32 {
        let all: u64 = self.samples_in.iter().map(|samples| u64::from(*samples)).sum();
        let these = self.samples_in.get(state as usize).copied().unwrap_or_default();
        if all == 0 { f32::NAN } else { these as f32 / all as f32 }
    }
}

/// The columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    from_us: i64,
    width_us: i64,
    /// End of the last column.
    until_us: i64,
    columns: Vec<Bucket>,
}

impl Strip {
    pub(crate) fn new() -> Strip {
        Strip { from_us: 0, width_us: FIRST_WIDTH_US, until_us: i64::MIN, columns: Vec::with_capacity(MOST) }
    }

    #[inline(always)]
    pub(crate) fn add(&mut self, view: &View, state: ValveState) {
        if view.moment_us >= self.until_us {
            self.advance(view.moment_us);
        }
        if let Some(column) = self.columns.last_mut() {
            // `min` and `max` keep the number where one side is NaN.
            column.float_least_pct = column.float_least_pct.min(view.float_pct);
            column.float_greatest_pct = column.float_greatest_pct.max(view.float_pct);
            column.pressure_greatest_kpa = column.pressure_greatest_kpa.max(view.pressure_kpa);
            column.odour_greatest_ppm = column.odour_greatest_ppm.max(view.odour_ppm);
            // Without float or pressure the valve is in no state that could be told.
            let is_told = !(view.float_pct + view.pressure_kpa).is_nan();
            if let Some(samples) = column.samples_in.get_mut(state as usize).filter(|_| is_told) {
                *samples = samples.saturating_add(1);
            }
        }
    }

    #[cold]
    fn advance(&mut self, moment_us: i64) {
        if self.columns.is_empty() {
            self.from_us = moment_us;
        }
        loop {
            let column = moment_us.saturating_sub(self.from_us) / self.width_us;
            if column < MOST as i64 {
                self.columns.resize((column + 1) as usize, NOTHING);
                break;
            }
            self.halve();
        }
        self.until_us = self.from_us.saturating_add(self.width_us.saturating_mul(self.columns.len() as i64));
    }

    fn halve(&mut self) {
        self.width_us = self.width_us.saturating_mul(2);
        let pairs = self.columns.chunks(2).map(joined);
        self.columns = pairs.collect();
        self.columns.reserve(MOST.saturating_sub(self.columns.len()));
    }

    /// The time range cut into `columns` columns.
    pub fn columns(&self, columns: usize) -> Vec<Bucket> {
        let (have, want) = (self.columns.len(), columns.max(1));
        (0..want)
            .map(|place| {
                let from = place * have / want;
                let to = ((place + 1) * have / want).max(from + 1);
                joined(self.columns.get(from..to.min(have)).unwrap_or_default())
            })
            .collect()
    }
}

fn joined(columns: &[Bucket]) -> Bucket {
    let mut sum = NOTHING;
    columns.iter().for_each(|column| sum.join(column));
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_time_fits_and_keeps_its_peaks() {
        let mut strip = Strip::new();
        for second in 0..100_000_i64 {
            let pressure_kpa = if second == 50_000 { 900.0 } else { 200.0 };
            let view = View { moment_us: second * 1_000_000, float_pct: 90.0, pressure_kpa, ..View::NOTHING };
            strip.add(&view, ValveState::Sealed);
        }
        let columns = strip.columns(100);
        assert_eq!(columns.len(), 100);
        let peaks: Vec<_> = (0..100).filter(|place| columns[*place].pressure_greatest_kpa == 900.0).collect();
        assert!((49..=51).contains(&peaks[0]), "{peaks:?}");
        assert!(
            columns
                .iter()
                .all(|column| column.share_in(ValveState::Sealed) == 1.0 && column.odour_greatest_ppm.is_nan())
        );
    }

    #[test]
    fn a_sample_without_float_or_pressure_is_in_no_state() {
        let mut strip = Strip::new();
        strip.add(&View { pressure_kpa: 200.0, ..View::NOTHING }, ValveState::Empty);
        let [column] = strip.columns(1)[..] else { unreachable!() };
        assert!(column.share_in(ValveState::Empty).is_nan());
        assert_eq!(column.pressure_greatest_kpa, 200.0);
    }
}
