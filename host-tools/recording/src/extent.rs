//! How far the data of a CSV file reach, and the spans that hold them.

use airvalve_sensors::{CHANNELS, Channel, Channels, Contacts, LoopCurrent, Span};

use crate::{block::QuantityBlock, period::usual_step_us};

/// Loop current of a broken loop, mA: none, and a little less for noise.
pub(crate) const NO_CURRENT_MA: f32 = -0.1;
/// Loop currents that a reading of this span can have, mA; what lies outside needs a wider span.
const LOOP_MA: std::ops::RangeInclusive<f32> = NO_CURRENT_MA..=LoopCurrent::MEASURING_HIGH_MA;

/// A span that had to be widened to hold the data.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Widened {
    /// Channel.
    pub channel: Channel,
    /// Span of the site, in the channel's unit.
    pub from: Span,
    /// Span of the recording.
    pub to: Span,
}

impl std::fmt::Display for Widened {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{}: span {} .. {} widened to {} .. {} {} to hold the data; correct the site file if the transmitter has it",
            self.channel.name(),
            self.from.low,
            self.from.high,
            self.to.low,
            self.to.high,
            self.channel.unit()
        )
    }
}

/// How far the data of a file reach.
#[derive(Clone, Debug)]
pub struct Extent {
    first_us: Option<i64>,
    /// Least and greatest quantity of each channel; turned round where it has none.
    ranges: Channels<(f32, f32)>,
    contacts: u8,
    /// Usual time between the first rows, microseconds.
    step_us: Option<u32>,
}

impl Default for Extent {
    fn default() -> Self {
        let none = (f32::INFINITY, f32::NEG_INFINITY);
        Extent { first_us: None, ranges: Channels([none; CHANNELS]), contacts: 0, step_us: None }
    }
}

impl Extent {
    /// Takes the rows of a block.
    pub fn add(&mut self, block: QuantityBlock<'_>) {
        if self.first_us.is_none() {
            self.first_us = block.times_us.first().copied();
            self.step_us = usual_step_us(block.times_us);
        }
        for channel in Channel::ALL {
            let range = self.ranges.slot(channel);
            for quantity in block.columns.get(channel) {
                // NaN is neither.
                *range = (range.0.min(*quantity), range.1.max(*quantity));
            }
        }
        self.contacts |= block.contacts.iter().fold(0, |all, contacts| all | contacts);
    }

    /// Whether a channel has a value anywhere.
    pub fn is_fitted(&self, channel: Channel) -> bool {
        let (least, greatest) = self.ranges.get(channel);
        least <= greatest
    }

    /// Time of the first row, Unix time, microseconds; `None` without rows.
    pub fn first_us(&self) -> Option<i64> {
        self.first_us
    }

    /// Usual time between the first rows, microseconds.
    pub fn step_us(&self) -> Option<u32> {
        self.step_us
    }

    /// Contacts that any row knows, and those that any row has closed.
    pub fn contacts(&self) -> Contacts {
        Contacts(self.contacts)
    }

    /// Of these spans those that the data need wider.
    ///
    /// One rule for an import and for a replay of CSV: a file of quantities has no loop that could be shorted, so what lies
    /// beyond a span at its upper end is a reading of a transmitter with a wider one. Below its lower end it is a broken
    /// loop, which reads as one.
    pub fn widened(&self, spans: &Channels<Span>) -> Vec<Widened> {
        let widened = Channel::ALL.into_iter().filter(|channel| self.is_fitted(*channel)).map(|channel| {
            let from = spans.get(channel);
            let (least, greatest) = self.ranges.get(channel);
            Widened { channel, from, to: widened_span(from, least, greatest) }
        });
        widened.filter(|widened| widened.to != widened.from).collect()
    }
}

/// The span, wide enough for these quantities.
fn widened_span(span: Span, least: f32, greatest: f32) -> Span {
    let fits = |quantity| LOOP_MA.contains(&LoopCurrent::from_quantity(quantity, span).as_milliamperes());
    Span {
        low: if fits(least) { span.low } else { span.low.min(least) },
        high: if fits(greatest) { span.high } else { span.high.max(greatest) },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPAN: Span = Span { low: 0.0, high: 200.0 };

    #[test]
    fn a_broken_loop_and_measuring_information_widen_no_span() {
        // 0 mA and 20.5 mA. Source: NAMUR NE 43, measuring information up to 20.5 mA.
        assert_eq!(widened_span(SPAN, -50.0, 206.25), SPAN);
    }

    #[test]
    fn a_reading_above_measuring_information_widens_its_span() {
        // 20.51 mA, 20.99 mA, 21 mA and 22 mA: saturated and failed. Source: NAMUR NE 43.
        for greatest in [206.38, 212.38, 212.5, 225.0, 350.0] {
            assert_eq!(widened_span(SPAN, 0.0, greatest), Span { low: 0.0, high: greatest });
        }
        assert_eq!(widened_span(SPAN, -80.0, 200.0), Span { low: -80.0, high: 200.0 });
    }
}
