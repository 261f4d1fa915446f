//! From the site file to what the detector works with.

use airvalve_monitor::{
    SiteData,
    airflow::{CRITICAL_RATIO, Orifice},
    site::ReleaseStage,
};
use airvalve_sensors::{Channel, Channels, FrontEnd};

use crate::{
    model::{OrificeFlow, ReleaseOrifice, Site},
    orifice::circle_mm2,
};

/// Discharge coefficient of a sharp edge over pressure ratio, relative to one another.
///
/// # Source
/// Perry's Chemical Engineers' Handbook (from memory): 0.61 at p2/p1 = 0.95, 0.74 at 0.53, 0.80 at 0.36, 0.83 at 0.24.
const SHARP_EDGE: [(f64, f64); 4] = [(0.24, 0.83), (0.36, 0.80), (0.53, 0.74), (0.95, 0.61)];

impl Site {
    /// The detector's view of this site; `is_fitted` says which channels the data has.
    pub fn detector(&self, is_fitted: impl Fn(Channel) -> bool) -> SiteData {
        let large = self.valve.large_orifice;
        let area_mm2 = |coefficient: f64| Orifice::Area {
            effective_area_mm2: (coefficient * circle_mm2(large.diameter_mm)) as f32,
        };
        let mut stages = self.valve.release_orifices.iter().map(|orifice| self.stage(orifice));
        let small = stages.next().unwrap_or(ReleaseStage {
            orifice: Orifice::Area { effective_area_mm2: 0.0 },
            opens_below_pct: 80.0,
            closes_above_pct: 92.0,
        });
        let channels = self.sensors.channels;
        SiteData {
            p_atm_kpa: self.p_atm_kpa as f32,
            static_kpa: self.line.static_kpa as f32,
            working_kpa: self.line.working_kpa as f32,
            flow_l_s: self.line.flow_l_s as f32,
            largest_pocket_m3: self.line.largest_pocket_m3 as f32,
            seal_volume_l: self.valve.seal_volume_l as f32,
            stroke_volume_l: self.valve.stroke_volume_l as f32,
            large_out: area_mm2(large.discharge_coefficient),
            large_in: area_mm2(large.inflow_coefficient),
            large_opens_below_pct: large.opens_below_pct as f32,
            large_closes_above_pct: large.closes_above_pct as f32,
            reopen_kpa: large.reopen_kpa as f32,
            small,
            second: stages.next(),
            is_sewage: self.water.is_sewage,
            air_temperature_k: (273.15 + self.water.temperature_c) as f32,
            sample_period_s: (1.0 / self.sensors.sample_hz) as f32,
            burst_s: self.sampling.burst.map_or(0.0, |burst| burst.burst_s) as f32,
            burst_every_s: self.sampling.burst.map_or(0.0, |burst| burst.every_s) as f32,
            spans: Channels(Channel::ALL.map(|channel| is_fitted(channel).then_some(channels.get(channel).span))),
            accuracy_pct_span: Channels(Channel::ALL.map(|channel| channels.get(channel).accuracy_pct_span as f32)),
            front_end: FrontEnd::default(),
        }
    }

    fn stage(&self, orifice: &ReleaseOrifice) -> ReleaseStage {
        ReleaseStage {
            orifice: self.release_flow(&orifice.flow),
            opens_below_pct: orifice.opens_below_pct as f32,
            closes_above_pct: orifice.closes_above_pct as f32,
        }
    }

    /// A release orifice at working pressure: a coefficient given at another pressure ratio is carried over.
    fn release_flow(&self, flow: &OrificeFlow) -> Orifice {
        match *flow {
            OrificeFlow::Coefficient { diameter_mm, discharge_coefficient, reference_ratio } => {
                let working_ratio = self.p_atm_kpa / (self.p_atm_kpa + self.line.working_kpa);
                let carried = reference_ratio.map_or(1.0, |ratio| sharp_edge(working_ratio) / sharp_edge(ratio));
                Orifice::Area { effective_area_mm2: (discharge_coefficient * carried * circle_mm2(diameter_mm)) as f32 }
            }
            OrificeFlow::Conductance { .. } => flow.orifice(),
        }
    }
}

fn sharp_edge(ratio: f64) -> f64 {
    let clamped = ratio.clamp(0.24, 0.95);
    SHARP_EDGE
        .windows(2)
        .find_map(|pair| match pair {
            [(low, at_low), (high, at_high)] if clamped <= *high => {
                Some(at_low + (clamped - low) / (high - low) * (at_high - at_low))
            }
            _ => None,
        })
        .unwrap_or(f64::from(CRITICAL_RATIO))
}
