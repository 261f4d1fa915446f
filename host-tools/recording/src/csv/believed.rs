//! Which numbers can be readings. What lies beyond marks a missing value, whatever wrote it (-999, 9999, 1e30): as a
//! reading it would widen its span until the others could not be told apart.

use airvalve_sensors::{CHANNELS, Channel, Channels, LoopCurrent, Span};
use airvalve_site::Site;

use crate::extent::NO_CURRENT_MA;

/// Loop current of a shorted loop, mA. Common practice: transmitters limit it to about that.
const SHORTED_MA: f32 = 24.0;

/// Least and greatest quantity that is believed, by channel; everything, before the site is known.
pub(super) type Believed = Channels<(f32, f32)>;

pub(super) const EVERYTHING: Believed = Channels([(f32::NEG_INFINITY, f32::INFINITY); CHANNELS]);

/// What the site's transmitters can say: physically possible quantities, and those of a failed loop, which are told as one.
pub(super) fn believed(site: &Site) -> Believed {
    let mut all = EVERYTHING;
    for channel in Channel::ALL {
        let span = site.sensors.channels.get(channel).span;
        let (least, greatest) = possible(channel, span, site.p_atm_kpa as f32);
        let [broken, shorted] =
            [NO_CURRENT_MA, SHORTED_MA].map(|ma| LoopCurrent::from_milliamperes(ma).as_quantity(span));
        all.set(channel, (least.min(broken), greatest.max(shorted)));
    }
    all
}

/// Least and greatest quantity of a channel. The site's transmitter may be set to another span than the site file says, and
/// a little beside its zero.
fn possible(channel: Channel, span: Span, p_atm_kpa: f32) -> (f32, f32) {
    let at_spans = |spans: f32| span.low + spans * span.width();
    match channel {
        Channel::FloatPosition => (-50.0, 150.0),
        // No vacuum is deeper than nothing at all.
        Channel::ChamberPressure | Channel::LinePressure | Channel::PressureMin | Channel::PressureMax => {
            (-p_atm_kpa, at_spans(3.0))
        }
        // Cells are sold for 50 to 2000 ppm.
        Channel::Odour => (at_spans(-0.2), at_spans(10.0)),
        Channel::AirTemperature => (-60.0, 100.0),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn believes(channel: Channel, quantity: f32) -> bool {
        let site = Site::parse(&airvalve_site::template(), "valve-a.toml").unwrap();
        let (least, greatest) = believed(&site).get(channel);
        (least..=greatest).contains(&quantity)
    }

    #[test]
    fn marks_of_missing_values_are_no_readings() {
        for mark in [-9999.0, -999.0, 9999.0, 65535.0, 1e30] {
            for channel in Channel::ALL {
                assert!(!believes(channel, mark), "{channel:?} {mark}");
            }
        }
        for channel in [Channel::FloatPosition, Channel::Odour, Channel::AirTemperature] {
            assert!(!believes(channel, -327.68), "{channel:?}");
        }
    }

    #[test]
    fn a_failed_loop_is_kept_as_read() {
        let site = Site::parse(&airvalve_site::template(), "valve-a.toml").unwrap();
        for channel in Channel::ALL {
            let span = site.sensors.channels.get(channel).span;
            for ma in [0.0, 1.9, 3.6, 21.0, 24.0] {
                let quantity = LoopCurrent::from_milliamperes(ma).as_quantity(span);
                assert!(believes(channel, quantity), "{channel:?} at {ma} mA: {quantity}");
            }
        }
    }
}
