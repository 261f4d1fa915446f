//! Work on the valve or a sensor: which of what was learned holds no longer.
//!
//! A new baseline begins for what the work has changed; the rest stays, since what stays need not be learned again and
//! goes on telling. Whoever did two things says both. What is forgotten (`x`) and why:
//!
//! | learned | cleaned | float | float's sensor | pressure sensor | odour cell | line sensor | valve | why |
//! | --- | --- | --- | --- | --- | --- | --- | --- | --- |
//! | zero of the pressure | | | | x | | | | the transmitter's own, whatever it is screwed to |
//! | usual pressures | | | | x | | | x | the main's, as this transmitter reads them at this body; dirt moves neither |
//! | distance from the line | | | | x | | x | x | the difference of two transmitters |
//! | opening and closing positions | | x | x | | | | x | where lever and float stand as the position is read; grease makes a float stand deeper, but it opens and closes where it did |
//! | area ratio, open times | x | | | | | | x | the orifice's; a pressure drops out of displacement over flow, and of a position only a difference counts |
//! | arriving air | x | | | | | | x | the main's, less what the seats leak |
//! | answer to steps, air space at them | x | x | x | x | | | x | weight of the float; asked by one reading and seen by the other |
//! | late answer, standing off | x | x | x | | | | x | friction of float and guide, and of what reads the position |
//! | odour before releases | x | | | | x | | x | the cell's zero and what weeping seats feed |
//! | odour of releases | | | | | x | | | the cell's and the vault's: a cell that is dead must not be forgotten with grease or valve |
//!
//! Least and greatest chamber pressure come from the pressure sensor; air temperature teaches nothing. The health of a
//! channel begins anew with its sensor alone.

use airvalve_sensors::Channel;

use crate::{
    learned::{Baseline, Learned},
    site::SiteData,
};

/// No channel, in a record.
const NO_CHANNEL: u8 = 255;

/// Work on the valve or a sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Service {
    /// Float, guide, orifices and seats of the same valve are clean.
    Cleaned,
    /// Another float in the same body.
    FloatReplaced,
    /// Another sensor for one channel.
    SensorReplaced(Channel),
    /// Another valve of the same data sheet, with the sensors that were there.
    ValveReplaced,
}

impl Service {
    /// Number of the work in recordings; it never changes, and 0 is none.
    pub const fn id(self) -> u8 {
        match self {
            Service::Cleaned => 1,
            Service::FloatReplaced => 2,
            Service::SensorReplaced(_) => 3,
            Service::ValveReplaced => 4,
        }
    }

    /// Id of the channel in recordings; 255 for work that is none on a sensor.
    pub const fn channel_id(self) -> u8 {
        match self {
            Service::SensorReplaced(channel) => channel as u8,
            _ => NO_CHANNEL,
        }
    }

    /// The work with these ids; `None` for ids of a later format.
    pub fn from_ids(id: u8, channel_id: u8) -> Option<Service> {
        match id {
            1 => Some(Service::Cleaned),
            2 => Some(Service::FloatReplaced),
            3 => Channel::from_id(channel_id).map(Service::SensorReplaced),
            4 => Some(Service::ValveReplaced),
            _ => None,
        }
    }

    /// Name as results have it; that of the channel stands beside it.
    pub const fn name(self) -> &'static str {
        match self {
            Service::Cleaned => "cleaned",
            Service::FloatReplaced => "float-replaced",
            Service::SensorReplaced(_) => "sensor-replaced",
            Service::ValveReplaced => "valve-replaced",
        }
    }

    /// Whether what is going on breaks off: the body was opened, or float or pressure are read otherwise than before.
    pub(crate) const fn breaks_off(self) -> bool {
        !matches!(self, Service::SensorReplaced(Channel::Odour | Channel::LinePressure | Channel::AirTemperature))
    }

    /// Whether the transmitter of the chamber pressure is another one, and with it its zero.
    pub const fn is_of_pressure_sensor(self) -> bool {
        matches!(self, Service::SensorReplaced(Channel::ChamberPressure | Channel::PressureMin | Channel::PressureMax))
    }

    /// Whether the health of a channel begins anew.
    pub(crate) fn renews(self, channel: Channel) -> bool {
        self == Service::SensorReplaced(channel)
            || (self.is_of_pressure_sensor() && Service::SensorReplaced(channel).is_of_pressure_sensor())
    }
}

impl Learned {
    /// Forgets what this work has made meaningless, as the table of [`Service`]'s module has it.
    pub(crate) fn begin_anew(&mut self, service: Service, site: &SiteData) {
        // Every field by its name: one that is added does not compile before it stands here.
        let Learned {
            zero_kpa,
            zero_uncertainty_kpa,
            opens_pct,
            closes_pct,
            closes_after_step_pct,
            area_ratio,
            slowness,
            slowness_after_step,
            arrival_running_nl_s,
            arrival_stopped_nl_s,
            shifted_kpa,
            answer,
            tested_space,
            late_answer,
            stick_pct,
            odour_base_ppm,
            odour_pulse_seen,
            odour_pulse_ppm,
            running_kpa,
            stopped_kpa,
            below_line_kpa,
        } = self;
        let valve = service == Service::ValveReplaced;
        let cleaned = service == Service::Cleaned || valve;
        let float = service == Service::FloatReplaced || valve;
        let pressure_sensor = service.is_of_pressure_sensor();
        let [float_sensor, line_sensor, odour_cell] = [Channel::FloatPosition, Channel::LinePressure, Channel::Odour]
            .map(|channel| service == Service::SensorReplaced(channel));
        if pressure_sensor {
            *zero_kpa = 0.0;
            *zero_uncertainty_kpa = site.zero_uncertainty_kpa();
        }
        if pressure_sensor || valve {
            *shifted_kpa = 0.0;
        }
        let forget = |is_meaningless: bool, baselines: &mut [&mut Baseline]| {
            if is_meaningless {
                baselines.iter_mut().for_each(|baseline| **baseline = Baseline::default());
            }
        };
        forget(pressure_sensor || valve, &mut [running_kpa, stopped_kpa]);
        forget(pressure_sensor || line_sensor || valve, &mut [below_line_kpa]);
        forget(float || float_sensor, &mut [opens_pct, closes_pct, closes_after_step_pct]);
        forget(cleaned, &mut [area_ratio, slowness, slowness_after_step]);
        forget(cleaned, &mut [arrival_running_nl_s, arrival_stopped_nl_s]);
        forget(cleaned || float || float_sensor || pressure_sensor, &mut [answer, tested_space]);
        forget(cleaned || float || float_sensor, &mut [late_answer, stick_pct]);
        forget(cleaned || odour_cell, &mut [odour_base_ppm]);
        forget(odour_cell, &mut [odour_pulse_seen, odour_pulse_ppm]);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const ALL: [Service; 10] = [
        Service::Cleaned,
        Service::FloatReplaced,
        Service::SensorReplaced(Channel::FloatPosition),
        Service::SensorReplaced(Channel::ChamberPressure),
        Service::SensorReplaced(Channel::Odour),
        Service::SensorReplaced(Channel::LinePressure),
        Service::ValveReplaced,
        Service::SensorReplaced(Channel::AirTemperature),
        Service::SensorReplaced(Channel::PressureMin),
        Service::SensorReplaced(Channel::PressureMax),
    ];

    #[test]
    fn ids_are_these_for_ever() {
        for service in ALL {
            assert_eq!(Service::from_ids(service.id(), service.channel_id()), Some(service));
        }
        let [cleaned, float, sensor, .., max] = ALL;
        let ids = [cleaned, float, sensor, max, Service::ValveReplaced];
        assert_eq!(
            ids.map(|service| (service.id(), service.channel_id())),
            [(1, 255), (2, 255), (3, 0), (3, 6), (4, 255)]
        );
        for unknown in [(0, 255), (5, 0), (3, 7), (3, 255)] {
            assert_eq!(Service::from_ids(unknown.0, unknown.1), None);
        }
    }
}
