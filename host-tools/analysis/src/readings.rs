//! From codes to readings, and which of them a working loop can give.

use airvalve_monitor::SiteData;
use airvalve_sensors::{CHANNELS, Channel, Channels, CodeSample, LoopCurrent, QuantitySample, Span, front_end::Scale};

/// Channels that the trackers look at.
pub(crate) const VIEWED: [Channel; 3] = [Channel::FloatPosition, Channel::ChamberPressure, Channel::Odour];
/// Loop currents of measuring and saturated loops; what lies outside is a failed loop.
const WORKING_MA: [f32; 2] = [LoopCurrent::FAILED_LOW_MA, LoopCurrent::FAILED_HIGH_MA];

/// A reading that a working loop can give; none otherwise.
#[inline(always)]
pub(crate) fn within(reading: f32, (low, high): (f32, f32)) -> f32 {
    if reading > low && reading < high { reading } else { f32::NAN }
}

/// From code to quantity, by channel.
pub(crate) fn scales(detector: &SiteData) -> Channels<Scale> {
    let none = Span { low: 0.0, high: 1.0 };
    Channels(detector.spans.0.map(|span| detector.front_end.scale(span.unwrap_or(none))))
}

/// Readings between which a loop works, by the order of [`VIEWED`].
pub(crate) fn working(spans: &Channels<Option<Span>>) -> [(f32, f32); VIEWED.len()] {
    VIEWED.map(|channel| {
        let Some(span) = spans.get(channel) else { return (f32::NEG_INFINITY, f32::INFINITY) };
        let [low, high] = WORKING_MA.map(|ma| LoopCurrent::from_milliamperes(ma).as_quantity(span));
        (low, high)
    })
}

/// The quantities behind a sample of codes.
pub(crate) fn converted(sample: &CodeSample, scales: &Channels<Scale>) -> QuantitySample {
    let mut quantities = Channels([f32::NAN; CHANNELS]);
    for ((quantity, code), scale) in quantities.0.iter_mut().zip(&sample.codes.0).zip(&scales.0) {
        *quantity = scale.quantity(*code);
    }
    QuantitySample { time_us: sample.time_us, quantities, contacts: sample.contacts }
}
