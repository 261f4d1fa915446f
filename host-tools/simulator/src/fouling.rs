//! What the faults of a scenario do to the valve.

use crate::{
    body::{Body, LARGE, SECOND, SMALL},
    scenario::{Fault, FaultKind},
};

#[derive(Clone, Debug)]
pub(crate) struct Fouling {
    faults: Vec<Fault>,
    has_begun: Vec<bool>,
    /// Free share of riser and isolating valve.
    pub(crate) opening: f64,
}

impl Fouling {
    pub(crate) fn new(faults: &[Fault]) -> Fouling {
        Fouling { faults: faults.to_vec(), has_begun: vec![false; faults.len()], opening: 1.0 }
    }

    /// Sets the valve to the severities of now.
    pub(crate) fn apply(&mut self, now_s: f64, body: &mut Body) {
        if self.faults.is_empty() {
            return;
        }
        for seat in &mut body.seats {
            seat.free_share = 1.0;
            seat.leak_share = 0.0;
        }
        body.float.sunk = 0.0;
        body.float.grease = 0.0;
        self.opening = 1.0;
        for (fault, has_begun) in self.faults.iter().zip(&mut self.has_begun) {
            let is_active = fault.is_active(now_s);
            if is_active != *has_begun {
                *has_begun = is_active;
                switch_jam(fault, is_active, body);
            }
            if is_active {
                self.opening = self.opening.min(foul(fault, fault.severity_at(now_s), body));
            }
        }
        body.work_seats();
    }
}

fn switch_jam(fault: &Fault, is_active: bool, body: &mut Body) {
    let is_jam = matches!(fault.kind, FaultKind::JammedLow | FaultKind::JammedUp);
    match (is_jam, is_active, fault.position) {
        (false, ..) => {}
        (true, false, _) => body.float.free(),
        (true, true, Some(position)) => body.float.jam_at(position),
        (true, true, None) if fault.kind == FaultKind::JammedLow => body.float.jam_at_next_low(),
        (true, true, None) => body.float.jam_at_next_rest(),
    }
}

/// Applies one fault; returns the free share of the riser.
fn foul(fault: &Fault, severity: f64, body: &mut Body) -> f64 {
    let release = if fault.is_second_orifice { SECOND } else { SMALL };
    match fault.kind {
        FaultKind::JammedLow | FaultKind::JammedUp => {}
        FaultKind::LargeSeatOpen => body.seats[LARGE].leak_share = severity,
        FaultKind::SmallSeatOpen | FaultKind::Weeping => body.seats[release].leak_share = severity,
        FaultKind::SmallBlocked | FaultKind::Clogging => {
            body.seats[release].free_share = 1.0 - severity;
        }
        FaultKind::LargeShut => body.seats[LARGE].free_share = 1.0 - severity,
        FaultKind::Sluggish => body.float.grease = severity,
        FaultKind::Heavy => body.float.sunk = severity,
        FaultKind::CutOff => return 1.0 - severity,
    }
    1.0
}
