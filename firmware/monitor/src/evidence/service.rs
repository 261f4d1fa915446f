//! What the rules go on from after work on the valve or a sensor.

use airvalve_sensors::Channel;

use super::{EvidenceBuilder, odour::Odour};
use crate::service::Service;

impl EvidenceBuilder {
    /// Forgets the evidence that this work has ended: times, odds and cushions of a body that was opened, or that were
    /// read otherwise. What the odour has shown stays while the cell does.
    pub(crate) fn begin_anew(&mut self, service: Service) {
        if service.breaks_off() {
            *self = EvidenceBuilder { odour: core::mem::take(&mut self.odour), ..EvidenceBuilder::default() };
        }
        if service == Service::SensorReplaced(Channel::Odour) {
            self.odour = Odour::default();
        }
    }
}
