//! From the site file to what the detector works with.

use airvalve_monitor::{SiteData, airflow::Orifice, site::ReleaseStage};
use airvalve_sensors::{Channel, Channels, FrontEnd};

use crate::{
    model::{ReleaseOrifice, Site},
    orifice::round,
};

impl Site {
    /// The detector's view of this site; `is_fitted` says which channels the data has.
    pub fn detector(&self, is_fitted: impl Fn(Channel) -> bool) -> SiteData {
        let large = self.valve.large_orifice;
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
            large_out: round(large.diameter_mm, large.discharge_coefficient),
            large_in: round(large.diameter_mm, large.inflow_coefficient),
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
            orifice: self.release_orifice(&orifice.flow),
            opens_below_pct: orifice.opens_below_pct as f32,
            closes_above_pct: orifice.closes_above_pct as f32,
        }
    }
}
