//! Air through the large orifice: measured where its pressure is resolved, bounded where it is not.
//!
//! A healthy large orifice holds the chamber within a fraction of a kPa of the atmosphere, mostly below what a
//! transmitter can tell from its zero. What passed is then bounded by the liquid that moved: a main that fills pushes out
//! no more than is pumped, and what was drawn in while it drained was pushed out again when it filled.

use crate::{
    airflow::normal_litres,
    frame::Frame,
    site::SiteData,
    totals::{CLOSED_S, DRAIN_FACTOR, FILL_FACTOR, Totals},
};

/// One spell with the large orifice open, from drain to fill.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct LargeAir {
    is_running: bool,
    closed_s: f32,
    /// Resolved in this spell, NL.
    out_nl: f32,
    in_nl: f32,
    /// Upper bounds of what was not resolved, NL.
    out_bound_nl: f32,
    in_bound_nl: f32,
}

/// What one frame of it is judged by.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LargeFrame {
    pub(crate) is_open: bool,
    /// Float and pressure have stood still at atmosphere for a minute: nothing moves.
    pub(crate) is_at_rest: bool,
    /// Variance of the frame's pressure: zero and noise, kPa squared.
    pub(crate) variance_kpa2: f32,
    pub(crate) temperature_k: f32,
}

impl LargeAir {
    /// Takes a frame.
    pub(crate) fn frame(&mut self, frame: &Frame, state: &LargeFrame, site: &SiteData, totals: &mut Totals) {
        if !state.is_open {
            if self.is_running {
                self.closed_s += frame.length_s;
                if self.closed_s > CLOSED_S {
                    self.settle(totals);
                }
            }
            return;
        }
        self.is_running = true;
        self.closed_s = 0.0;
        // Whether it is still open is not known without the float.
        if frame.pressure_kpa.is_nan() || frame.float_pct.is_nan() {
            return;
        }
        let limit_kpa = 3.0 * libm::sqrtf(state.variance_kpa2);
        let out = |kpa: f32| site.large_out.normal_flow_nl_s(kpa, site.p_atm_kpa, state.temperature_k) * frame.length_s;
        let inward =
            |kpa: f32| -site.large_in.normal_flow_nl_s(kpa, site.p_atm_kpa, state.temperature_k) * frame.length_s;
        let pumped_nl = normal_litres(site.p_atm_kpa, site.flow_l_s, state.temperature_k) * frame.length_s;
        if frame.pressure_kpa > limit_kpa {
            let nl = out(frame.pressure_kpa);
            self.out_nl += nl;
            totals.large_out.add_nl(nl);
            totals.large_out_per_kpa.add_nl(per_kpa(nl, frame.pressure_kpa));
        } else if frame.pressure_kpa < -limit_kpa {
            let nl = inward(frame.pressure_kpa);
            self.in_nl += nl;
            totals.large_in.add_nl(nl);
            totals.large_in_per_kpa.add_nl(per_kpa(nl, frame.pressure_kpa));
        } else {
            // A pump that runs fills, one that stands lets the main drain, and where it is not known it may be either.
            if frame.pump != Some(false) {
                self.out_bound_nl += out(limit_kpa).min(FILL_FACTOR * pumped_nl);
            }
            if frame.pump != Some(true) && !state.is_at_rest {
                self.in_bound_nl += inward(-limit_kpa).min(DRAIN_FACTOR * pumped_nl);
            }
        }
    }

    /// Upper bounds of what was not resolved in the spell that runs, out and in, NL.
    pub(crate) fn unresolved_nl(&self) -> [f32; 2] {
        // What goes in comes out again; a main that filled by itself shows no pumping.
        let filled_nl = self.out_nl + self.out_bound_nl;
        let in_nl = if filled_nl > 0.0 { (filled_nl - self.in_nl).max(0.0) } else { self.in_bound_nl };
        [self.out_bound_nl, in_nl]
    }

    /// Ends the spell: the main is full, or what follows can no longer be joined to it.
    pub(crate) fn settle(&mut self, totals: &mut Totals) {
        let [out_nl, in_nl] = self.unresolved_nl();
        totals.large_out_unresolved.add_nl(out_nl);
        totals.large_in_unresolved.add_nl(in_nl);
        *self = LargeAir::default();
    }
}

/// Change of a flow with a small pressure difference: it goes with its root.
fn per_kpa(nl: f32, pressure_kpa: f32) -> f32 {
    0.5 * nl / libm::fabsf(pressure_kpa)
}
