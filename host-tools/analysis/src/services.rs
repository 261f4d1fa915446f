//! Work on the valve while the data ran: told by the recording, or by whoever replays it.

use std::str::FromStr;

use airvalve_monitor::Service;
use airvalve_sensors::Channel;
use airvalve_telemetry::ServiceMark;
use jiff::Timestamp;
use serde::Serialize;

use crate::{replay::ReplayError, time::Time};

/// Work on the valve or a sensor at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ServiceAt {
    /// When, as the times of the result.
    pub at: Time,
    /// What.
    pub service: Service,
}

/// Why a text names no work at a time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[allow(missing_docs)] // the fields are what the message says
pub enum ServiceError {
    #[error("no time and work in it; write it as 2031-03-01T12:00:00Z=cleaned")]
    Form,
    #[error("`{when}` is no time with date and offset (RFC 3339); write it as 2031-03-01T12:00:00Z")]
    Time { when: String },
    #[error(
        "`{what}` is no work that is known (known: cleaned, float-replaced, valve-replaced, sensor-replaced:COLUMN); correct it"
    )]
    What { what: String },
    #[error("`{column}` is no column of a sensor (known: {}); correct it", columns())]
    Column { column: String },
}

fn columns() -> String {
    Channel::ALL.map(Channel::column).join(", ")
}

impl FromStr for ServiceAt {
    type Err = ServiceError;

    /// Reads `WHEN=WHAT`.
    ///
    /// # Errors
    /// [`ServiceError`] names the part that is wrong.
    ///
    /// # Example
    /// ```
    /// use airvalve_analysis::ServiceAt;
    /// use airvalve_monitor::Service;
    ///
    /// let cleaned: ServiceAt = "2031-03-01T13:00:00+01:00=cleaned".parse()?;
    /// assert_eq!((cleaned.at.to_string().as_str(), cleaned.service), ("2031-03-01T12:00:00.000Z", Service::Cleaned));
    /// # Ok::<(), airvalve_analysis::ServiceError>(())
    /// ```
    fn from_str(text: &str) -> Result<ServiceAt, ServiceError> {
        let (when, what) = text.split_once('=').ok_or(ServiceError::Form)?;
        let at: Timestamp = when.parse().map_err(|_| ServiceError::Time { when: when.to_owned() })?;
        Ok(ServiceAt { at: Time(at.as_microsecond()), service: service(what)? })
    }
}

fn service(what: &str) -> Result<Service, ServiceError> {
    let plain = [Service::Cleaned, Service::FloatReplaced, Service::ValveReplaced];
    if let Some(service) = plain.into_iter().find(|service| service.name() == what) {
        return Ok(service);
    }
    let column = what.strip_prefix("sensor-replaced:").ok_or_else(|| ServiceError::What { what: what.to_owned() })?;
    let channel = Channel::ALL.into_iter().find(|channel| channel.column() == column);
    channel.map(Service::SensorReplaced).ok_or_else(|| ServiceError::Column { column: column.to_owned() })
}

/// Work that a replay has obeyed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct ServiceResult {
    /// When.
    pub at: Time,
    /// `cleaned`, `float-replaced`, `sensor-replaced` or `valve-replaced`.
    pub work: &'static str,
    /// Column of the channel whose sensor was replaced.
    pub channel: Option<&'static str>,
    /// Who said so: `recording` or `argument`.
    pub told_by: &'static str,
}

/// The work that is still to come in a replay.
#[derive(Clone, Debug, Default)]
pub(crate) struct Services {
    /// The latest first, each with who said so.
    coming: Vec<(ServiceAt, &'static str)>,
    obeyed: Vec<ServiceResult>,
}

const BY_RECORDING: &str = "recording";
const BY_ARGUMENT: &str = "argument";

impl Services {
    /// What was named by whoever replays.
    pub(crate) fn new(named: &[ServiceAt]) -> Services {
        let mut services = Services::default();
        named.iter().for_each(|service| services.add(*service, BY_ARGUMENT));
        services
    }

    fn add(&mut self, service: ServiceAt, told_by: &'static str) {
        self.coming.push((service, told_by));
        // Stable: of two at one time the one told first comes first.
        self.coming.sort_by_key(|(service, _)| std::cmp::Reverse(service.at));
    }

    /// Takes a mark of the recording; false for work of a later format, which is left alone.
    ///
    /// `offset_us` is what is added to the device's times there.
    pub(crate) fn take(&mut self, mark: &ServiceMark, offset_us: i64) -> bool {
        let service = Service::from_ids(mark.work, mark.channel);
        let at = Time(mark.time_us.saturating_add(offset_us));
        service.inspect(|service| self.add(ServiceAt { at, service: *service }, BY_RECORDING)).is_some()
    }

    /// Moment from which on the next work is to be obeyed.
    #[inline(always)]
    pub(crate) fn next_us(&self) -> i64 {
        self.coming.last().map_or(i64::MAX, |(service, _)| service.at.0)
    }

    /// The next work that is due at a moment.
    pub(crate) fn due(&mut self, moment_us: i64) -> Option<Service> {
        let (ServiceAt { at, service }, told_by) = self.coming.pop_if(|(service, _)| service.at.0 <= moment_us)?;
        let channel = match service {
            Service::SensorReplaced(channel) => Some(channel.column()),
            _ => None,
        };
        self.obeyed.push(ServiceResult { at, work: service.name(), channel, told_by });
        Some(service)
    }

    /// What was obeyed, in order of time. What a recording says of the time after its last sample touches none.
    ///
    /// # Errors
    /// [`ReplayError::ServiceBehind`] where the work that somebody has named lies behind the last sample.
    pub(crate) fn finish(self, to: Time) -> Result<Vec<ServiceResult>, ReplayError> {
        match self.coming.iter().find(|(_, told_by)| *told_by == BY_ARGUMENT) {
            Some((service, _)) => Err(ReplayError::ServiceBehind { at: service.at, to }),
            None => Ok(self.obeyed),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_text_names_a_time_and_a_work_or_says_what_is_wrong() {
        let parsed = |text: &str| text.parse::<ServiceAt>();
        let service = parsed("2031-03-01T12:00:00Z=sensor-replaced:odour_ppm").unwrap().service;
        assert_eq!(service, Service::SensorReplaced(Channel::Odour));
        for (text, said) in [
            ("cleaned", "no time and work in it"),
            ("noon=cleaned", "`noon` is no time"),
            ("2031-03-01T12:00:00=cleaned", "is no time with date and offset"),
            ("2031-03-01T12:00:00Z=scrubbed", "`scrubbed` is no work that is known (known: cleaned, "),
            ("2031-03-01T12:00:00Z=sensor-replaced", "`sensor-replaced` is no work"),
            ("2031-03-01T12:00:00Z=sensor-replaced:level", "`level` is no column of a sensor (known: float_pct, "),
        ] {
            let error = parsed(text).unwrap_err().to_string();
            assert!(error.contains(said), "{text}: {error}");
        }
    }

    #[test]
    fn work_is_obeyed_in_order_of_time_whoever_told_of_it() {
        let at = |time_us, service| ServiceAt { at: Time(time_us), service };
        let mut services = Services::new(&[at(30, Service::Cleaned), at(10, Service::FloatReplaced)]);
        assert!(services.take(&ServiceMark { time_us: 5, work: 4, channel: 255 }, 15));
        assert!(!services.take(&ServiceMark { time_us: 5, work: 9, channel: 255 }, 15));
        assert_eq!((services.next_us(), services.due(9)), (10, None));
        assert_eq!([10, 40, 40].map(|at_us| services.due(at_us).unwrap().id()), [2, 4, 1]);
        let obeyed = services.finish(Time(40)).unwrap();
        assert_eq!(
            obeyed[1],
            ServiceResult { at: Time(20), work: "valve-replaced", channel: None, told_by: "recording" }
        );
    }

    #[test]
    fn what_a_recording_says_of_the_time_behind_its_end_is_no_error_and_what_somebody_names_is() {
        let mut services = Services::default();
        services.take(&ServiceMark { time_us: 50, work: 1, channel: 255 }, 0);
        assert_eq!(services.finish(Time(40)).unwrap(), []);
        let named = ServiceAt { at: Time(50), service: Service::Cleaned };
        assert!(Services::new(&[named]).finish(Time(40)).is_err());
    }
}
