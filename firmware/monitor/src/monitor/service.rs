//! What the detector does when it is told of work on the valve.

use super::{Monitor, SLOW_S};
use crate::{main_level::MainLevel, release::ReleaseTracker, service::Service, zero::ZeroTracker};

impl Monitor {
    /// Someone has worked on the valve or a sensor: a new baseline begins for what that has changed, the rest stays.
    ///
    /// What is forgotten, and why, stands in the table of [`crate::service`]. Alarms change only by what is seen from now
    /// on: the evidence of an old state is gone, so that they return to normal after their off-delay, or stay because the
    /// work did not help.
    pub fn service(&mut self, service: Service) {
        self.learned.begin_anew(service, &self.site);
        self.channels.renew(|channel| service.renews(channel), &self.site);
        self.evidence.begin_anew(service);
        if service.breaks_off() {
            self.after_gap(0);
            // What may have left unseen until now stays a bound.
            self.totals.release_unconfirmed.add_nl(self.releases.take_unconfirmed_nl());
            self.releases = ReleaseTracker::new(&self.site, &self.settings.evidence, &self.learned);
            self.zero = ZeroTracker::new(&self.site);
            self.main_level = MainLevel::default();
            self.vacuum_kpa = self.vacuum_limit_kpa();
        }
        // What is weighed seldom is weighed with the next frame.
        self.since_slow_s = SLOW_S;
    }
}
