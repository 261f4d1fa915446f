//! A valve at random, with its main and its sensors, as a site file.

use std::fmt::Write as _;

use airvalve_simulator::air::{NORMAL_LITRE_KG, mass_flux_kg_s_m2};
use airvalve_site::atmosphere::pressure_from_altitude_kpa;

use crate::{
    case::CaseId,
    draw::{Draw, rounded},
};

/// Air comes in no greater amount than this share of what the small orifice passes.
pub(crate) const SHARE_OF_CAPACITY: f64 = 0.1;
/// Pressure of a normal litre, kPa.
const NORMAL_KPA: f64 = 101.325;
/// Nominal diameters of large orifices, mm. Common practice.
const LARGE_MM: [f64; 9] = [25.0, 32.0, 40.0, 50.0, 65.0, 80.0, 100.0, 150.0, 200.0];

/// An orifice as the data sheet has it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OrificeSheet {
    pub(crate) diameter_mm: f64,
    pub(crate) coefficient: f64,
    pub(crate) opens_below_pct: f64,
    pub(crate) closes_above_pct: f64,
}

/// A valve with its main, as its data sheet has it.
#[derive(Clone, Debug)]
pub(crate) struct Valve {
    /// The case that it was drawn for, and its name on the wire, which has room for 32 characters.
    pub(crate) case: String,
    pub(crate) id: String,
    pub(crate) altitude_m: f64,
    pub(crate) static_kpa: f64,
    pub(crate) working_kpa: f64,
    pub(crate) allowable_kpa: f64,
    pub(crate) flow_l_s: f64,
    pub(crate) largest_pocket_m3: f64,
    pub(crate) seal_l: f64,
    pub(crate) stroke_l: f64,
    pub(crate) large: OrificeSheet,
    pub(crate) small: OrificeSheet,
    pub(crate) second: Option<OrificeSheet>,
    pub(crate) vault_m3: f64,
    pub(crate) air_changes_per_h: f64,
    pub(crate) is_sewage: bool,
    pub(crate) water_c: f64,
    /// Hydrogen sulphide in the gas that it releases, ppm by volume.
    pub(crate) gas_ppm: f64,
    /// Air around the vent outlet, where the odour sensor hangs, L.
    pub(crate) near_l: f64,
    pub(crate) odour_high_ppm: f64,
    pub(crate) sample_hz: f64,
    /// Length and spacing of bursts, s.
    pub(crate) burst: Option<(f64, f64)>,
}

impl Valve {
    /// Draws one; `sample_hz` and bursts are the case's affair.
    pub(crate) fn draw(
        draw: &mut Draw,
        id: CaseId,
        sample_hz: f64,
        burst: Option<(f64, f64)>,
        must_smell: bool,
    ) -> Valve {
        let body_l = draw.log_between(1.0, 15.0);
        let seal_l = body_l * draw.between(0.12, 0.25);
        let working_kpa = draw.log_between(50.0, 900.0);
        let static_kpa = working_kpa * draw.between(0.35, 0.85);
        let large_mm = nominal_mm(22.0 * libm::pow(body_l, 0.6) * draw.between(0.8, 1.25));
        let opens_below_pct = draw.between(64.0, 88.0);
        // A larger body has the larger orifice, on the whole.
        let small_mm = draw.log_between(1.4, 4.5) * libm::pow(body_l / 4.0, 0.25);
        let small = OrificeSheet {
            diameter_mm: rounded(small_mm.clamp(1.5, 6.0), 1),
            coefficient: rounded(draw.between(0.6, 0.85), 2),
            opens_below_pct: rounded(opens_below_pct, 0),
            closes_above_pct: rounded((opens_below_pct + draw.between(6.0, 18.0)).min(97.0), 0),
        };
        let second = draw.chance(0.35).then(|| second_stage(draw, &small));
        let large_opens_pct = rounded(draw.between(8.0, 25.0), 0);
        let is_sewage = draw.chance(0.85) || must_smell;
        let mut valve = Valve {
            case: id.to_string(),
            id: format!("trial-{}", id.seed()),
            altitude_m: rounded(draw.between(0.0, 1500.0), 0),
            static_kpa: rounded(static_kpa, 0),
            working_kpa: rounded(working_kpa, 0).max(rounded(static_kpa, 0) + 3.0),
            allowable_kpa: rounded((1.5 * working_kpa).max(working_kpa + 100.0), -1),
            flow_l_s: rounded(flow_for_l_s(large_mm) * draw.between(0.35, 1.0), 1),
            largest_pocket_m3: 0.0,
            seal_l: rounded(seal_l, 3),
            stroke_l: rounded(body_l - seal_l, 3),
            large: OrificeSheet {
                diameter_mm: large_mm,
                coefficient: rounded(draw.between(0.5, 0.7), 2),
                opens_below_pct: large_opens_pct,
                closes_above_pct: large_opens_pct + 2.0,
            },
            small,
            second,
            vault_m3: rounded(draw.log_between(2.0, 15.0), 1),
            air_changes_per_h: rounded(draw.log_between(0.5, 6.0), 1),
            is_sewage,
            water_c: rounded(draw.between(6.0, 24.0), 0),
            near_l: 0.0,
            gas_ppm: 0.0,
            odour_high_ppm: 200.0,
            sample_hz,
            burst,
        };
        valve.largest_pocket_m3 = valve.pocket_of_minutes(draw.log_between(2.0, 45.0));
        valve.draw_odour(draw, if must_smell { 10.0 } else { 3.0 });
        valve
    }

    /// Gas so strong that a usual release is smelt, within what sewage makes, and a cell that fits it.
    fn draw_odour(&mut self, draw: &mut Draw, least_pulse_ppm: f64) {
        self.near_l = rounded(draw.between(15.0, 60.0), 0);
        let pulse_ppm = draw.log_between(least_pulse_ppm, 60.0);
        if self.is_sewage {
            self.gas_ppm = rounded((pulse_ppm * self.near_l / self.cycle_nl()).clamp(60.0, 1500.0), 0);
        }
        let fits = |high_ppm: &f64| *high_ppm >= 0.7 * self.gas_ppm;
        self.odour_high_ppm = [200.0, 500.0, 1000.0].into_iter().find(fits).unwrap_or(2000.0);
    }

    pub(crate) fn p_atm_kpa(&self) -> f64 {
        pressure_from_altitude_kpa(self.altitude_m)
    }

    /// Chamber pressure in the middle of a usual day, kPa gauge.
    pub(crate) fn usual_kpa(&self) -> f64 {
        self.static_kpa + 0.3 * (self.working_kpa - self.static_kpa)
    }

    /// What the small orifice passes at a chamber pressure, NL/s.
    pub(crate) fn capacity_nl_s(&self, gauge_kpa: f64) -> f64 {
        let p_atm_pa = 1e3 * self.p_atm_kpa();
        let area_m2 = 0.25 * core::f64::consts::PI * 1e-6 * self.small.diameter_mm * self.small.diameter_mm;
        let flux = mass_flux_kg_s_m2(p_atm_pa + 1e3 * gauge_kpa, p_atm_pa, 273.15 + self.water_c);
        self.small.coefficient * area_m2 * flux / NORMAL_LITRE_KG
    }

    /// Share of the large orifice's area whose spill takes this share of the chamber's absolute pressure, at most all of it.
    pub(crate) fn large_share_that_sags(&self, share: f64) -> f64 {
        let lost_kpa = share * (self.usual_kpa() + self.p_atm_kpa());
        // A litre a second that leaves at the valve lowers the head as the pumped flow raises it.
        let spill_l_s = self.flow_l_s * lost_kpa / (self.working_kpa - self.static_kpa);
        let area_m2 = 0.25 * core::f64::consts::PI * 1e-6 * self.large.diameter_mm * self.large.diameter_mm;
        let most_l_s = 1e3 * self.large.coefficient * area_m2 * (2.0 * (self.usual_kpa() - lost_kpa).max(1.0)).sqrt();
        (spill_l_s / most_l_s).clamp(0.02, 1.0)
    }

    /// Normal litres in a litre of air at the usual pressure.
    pub(crate) fn nl_per_l(&self) -> f64 {
        (self.usual_kpa() + self.p_atm_kpa()) / NORMAL_KPA
    }

    /// Air of one release cycle, NL.
    pub(crate) fn cycle_nl(&self) -> f64 {
        let travel = 0.01 * (self.small.closes_above_pct - self.small.opens_below_pct);
        travel * self.stroke_l * self.nl_per_l()
    }

    /// Whether its releases come so often, and raise the odour to twice what counts as a pulse.
    pub(crate) fn is_smelt(&self, cycles_per_h: f64) -> bool {
        let least_ppm = 2.0 * 3.0_f64.max(0.015 * self.odour_high_ppm);
        let most_cycles_per_h = SHARE_OF_CAPACITY * 3600.0 * self.capacity_nl_s(self.static_kpa) / self.cycle_nl();
        self.gas_ppm * self.cycle_nl() / self.near_l >= least_ppm && most_cycles_per_h >= cycles_per_h
    }

    /// Vacuum that tells something although the transmitter's zero may be off by 1 % of its span either way, kPa.
    pub(crate) fn telling_vacuum_kpa(&self) -> f64 {
        10.0_f64.max(0.02 * (100.0 + 1.6 * self.allowable_kpa))
    }

    /// Time in which the small orifice vents the body, s.
    pub(crate) fn body_vent_s(&self) -> f64 {
        (self.seal_l + self.stroke_l) * self.nl_per_l() / self.capacity_nl_s(self.usual_kpa())
    }

    /// Time in which the small orifice vents the largest pocket with the pumps at rest, s.
    pub(crate) fn pocket_vent_s(&self) -> f64 {
        let nl_per_l = (self.static_kpa + self.p_atm_kpa()) / NORMAL_KPA;
        1e3 * self.largest_pocket_m3 * nl_per_l / self.capacity_nl_s(self.static_kpa)
    }

    fn pocket_of_minutes(&self, minutes: f64) -> f64 {
        let litres = 60.0 * minutes * self.capacity_nl_s(self.usual_kpa()) / self.nl_per_l();
        rounded((1e-3 * litres).clamp(0.005, 5.0), 3)
    }

    /// Everything that a person would say about it in a few words.
    pub(crate) fn traits(&self) -> Vec<String> {
        let mut traits = vec![format!("{} Hz", self.sample_hz)];
        if !self.is_sewage {
            traits.push("clean water".into());
        }
        if self.second.is_some() {
            traits.push("two stages".into());
        }
        if let Some((burst_s, every_s)) = self.burst {
            traits.push(format!("bursts {burst_s} of {every_s} s"));
        }
        traits
    }

    /// The site file, every key given.
    pub(crate) fn site_toml(&self) -> String {
        let mut text = format!(
            "# A valve at random: every value is invented.
[site]
name = \"Trial valve {case}\"
valve_id = \"{id}\"
altitude_m = {:?}
[line]
static_kpa = {:?}
working_kpa = {:?}
allowable_kpa = {:?}
flow_l_s = {:?}
largest_pocket_m3 = {:?}
[valve]
seal_volume_l = {:?}
stroke_volume_l = {:?}
[valve.large_orifice]
diameter_mm = {:?}
discharge_coefficient = {:?}
inflow_coefficient = {:?}
opens_below_pct = {:?}
closes_above_pct = {:?}
reopen_kpa = 5.0
",
            self.altitude_m,
            self.static_kpa,
            self.working_kpa,
            self.allowable_kpa,
            self.flow_l_s,
            self.largest_pocket_m3,
            self.seal_l,
            self.stroke_l,
            self.large.diameter_mm,
            self.large.coefficient,
            self.large.coefficient,
            self.large.opens_below_pct,
            self.large.closes_above_pct,
            case = self.case,
            id = self.id,
        );
        for stage in [Some(self.small), self.second].into_iter().flatten() {
            let _ = write!(
                text,
                "[[valve.release_orifice]]
diameter_mm = {:?}
discharge_coefficient = {:?}
opens_below_pct = {:?}
closes_above_pct = {:?}
",
                stage.diameter_mm, stage.coefficient, stage.opens_below_pct, stage.closes_above_pct
            );
        }
        let _ = write!(
            text,
            "[vault]
volume_m3 = {:?}
air_changes_per_h = {:?}
[water]
kind = \"{}\"
temperature_c = {:?}
[sensors]
sample_hz = {:?}
[sensors.odour]
high = {:?}
",
            self.vault_m3,
            self.air_changes_per_h,
            if self.is_sewage { "sewage" } else { "clean" },
            self.water_c,
            self.sample_hz,
            self.odour_high_ppm,
        );
        if let Some((burst_s, every_s)) = self.burst {
            let _ = write!(text, "[sampling]\nmode = \"burst\"\nburst_s = {burst_s:?}\nevery_s = {every_s:?}\n");
        }
        text
    }
}

fn second_stage(draw: &mut Draw, small: &OrificeSheet) -> OrificeSheet {
    let opens_below_pct = rounded(small.opens_below_pct - draw.between(15.0, 28.0), 0);
    OrificeSheet {
        diameter_mm: rounded(small.diameter_mm * draw.between(1.5, 2.5), 1),
        coefficient: small.coefficient,
        opens_below_pct,
        closes_above_pct: opens_below_pct + rounded(draw.between(8.0, 12.0), 0),
    }
}

fn nominal_mm(wanted_mm: f64) -> f64 {
    let [least, ..] = LARGE_MM;
    LARGE_MM.into_iter().rev().find(|diameter_mm| *diameter_mm <= wanted_mm).unwrap_or(least)
}

/// Pumped flow that a large orifice serves: twice of it drains through it at a vacuum of about 8 kPa, when air goes in at
/// 115 m/s times a coefficient of 0.6.
fn flow_for_l_s(large_mm: f64) -> f64 {
    let area_m2 = 0.25 * core::f64::consts::PI * 1e-6 * large_mm * large_mm;
    1e3 * 0.5 * 0.6 * 115.0 * area_m2
}
