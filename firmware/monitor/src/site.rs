//! What the detector knows of its valve beforehand: the data sheet and the line.

use airvalve_sensors::{Channel, Channels, FrontEnd, Span};
use serde::{Deserialize, Serialize};

use crate::airflow::Orifice;

/// The valve, its line and its sensors, as the site file gives them.
///
/// Pressures in kPa gauge unless the name says absolute, volumes in litres, positions in % of stroke.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SiteData {
    /// Local atmospheric pressure, kPa absolute.
    pub p_atm_kpa: f32,
    /// Line pressure with the pumps stopped.
    pub static_kpa: f32,
    /// Line pressure with the pumps running.
    pub working_kpa: f32,
    /// Pumped flow, L/s.
    pub flow_l_s: f32,
    /// Largest air pocket that the site expects, m3 at line pressure.
    pub largest_pocket_m3: f32,
    /// Air space with the float fully up.
    pub seal_volume_l: f32,
    /// Air space gained with the float fully down.
    pub stroke_volume_l: f32,
    /// Large orifice, outflow.
    pub large_out: Orifice,
    /// Large orifice, inflow.
    pub large_in: Orifice,
    /// Float position below which the large orifice may open.
    pub large_opens_below_pct: f32,
    /// Float position above which it has closed.
    pub large_closes_above_pct: f32,
    /// Chamber pressure up to which it may open.
    pub reopen_kpa: f32,
    /// Small orifice.
    pub small: ReleaseStage,
    /// Second stage; `None` where there is none.
    pub second: Option<ReleaseStage>,
    /// Sewage gives odour; clean water none.
    pub is_sewage: bool,
    /// Temperature of the air in the body where it is not measured, K.
    pub air_temperature_k: f32,
    /// Expected sample period, s.
    pub sample_period_s: f32,
    /// Length of a sampling burst and time from burst to burst, s; zeros when sampling is continuous.
    pub burst_s: f32,
    /// Time from burst to burst, s.
    pub burst_every_s: f32,
    /// Quantities at 4 and 20 mA; `None` for a channel that is not fitted.
    pub spans: Channels<Option<Span>>,
    /// Accuracy of each channel, % of span.
    pub accuracy_pct_span: Channels<f32>,
    /// Shunt and converter.
    pub front_end: FrontEnd,
}

/// One release orifice and the positions between which the float works it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReleaseStage {
    /// Its flow.
    pub orifice: Orifice,
    /// Opens below this float position.
    pub opens_below_pct: f32,
    /// Closes above this float position.
    pub closes_above_pct: f32,
}

impl SiteData {
    /// Whether the site has this channel.
    pub fn is_fitted(&self, channel: Channel) -> bool {
        self.spans.get(channel).is_some()
    }

    /// Accuracy of a channel in its unit, at least a thousandth of its span.
    // Not inlined: it stands in many places, and a device's flash is small.
    #[inline(never)]
    pub fn accuracy(&self, channel: Channel) -> f32 {
        let width = self.spans.get(channel).map_or(1.0, Span::width);
        (0.01 * self.accuracy_pct_span.get(channel) * width).max(1e-3 * width)
    }

    /// Air space above the liquid at a float position, litres.
    #[inline(always)]
    pub fn air_space_l(&self, float_pct: f32) -> f32 {
        self.seal_volume_l + (1.0 - 0.01 * float_pct) * self.stroke_volume_l
    }

    /// Standard uncertainty of the pressure zero before it is learned, kPa: rectangular, the accuracy as its limit.
    pub fn zero_uncertainty_kpa(&self) -> f32 {
        let width = self.spans.get(Channel::ChamberPressure).map_or(0.0, Span::width);
        0.01 * self.accuracy_pct_span.get(Channel::ChamberPressure) * width * 0.577_350_26
    }
}
