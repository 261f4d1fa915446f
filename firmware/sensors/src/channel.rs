//! Which channels there are, and their spans.

use serde::{Deserialize, Serialize};

/// Number of analogue channels that a device can carry.
pub const CHANNELS: usize = 7;

/// An analogue channel; the number is its id in recordings and never changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[repr(u8)]
pub enum Channel {
    /// Float position, % of stroke: 0 fully down, 100 fully up.
    FloatPosition = 0,
    /// Pressure of the air cushion in the valve body, kPa gauge.
    ChamberPressure = 1,
    /// Hydrogen sulphide at the vent outlet, ppm by volume.
    Odour = 2,
    /// Pressure in the pipe below the isolating valve, kPa gauge.
    LinePressure = 3,
    /// Air temperature in the vault, degC.
    AirTemperature = 4,
    /// Least chamber pressure since the sample before, kPa gauge.
    PressureMin = 5,
    /// Greatest chamber pressure since the sample before, kPa gauge.
    PressureMax = 6,
}

impl Channel {
    /// Every channel, in the order of their ids.
    pub const ALL: [Channel; CHANNELS] = [
        Channel::FloatPosition,
        Channel::ChamberPressure,
        Channel::Odour,
        Channel::LinePressure,
        Channel::AirTemperature,
        Channel::PressureMin,
        Channel::PressureMax,
    ];

    /// The channel with this id; `None` for an id of a later format.
    pub fn from_id(id: u8) -> Option<Channel> {
        Self::ALL.get(usize::from(id)).copied()
    }

    /// Position in a [`Channels`] table, equal to the id.
    pub const fn index(self) -> usize {
        self as usize
    }

    /// Plain name with its unit, as the columns of a CSV file have it.
    pub const fn column(self) -> &'static str {
        match self {
            Channel::FloatPosition => "float_pct",
            Channel::ChamberPressure => "pressure_kpa",
            Channel::Odour => "odour_ppm",
            Channel::LinePressure => "line_pressure_kpa",
            Channel::AirTemperature => "air_temp_c",
            Channel::PressureMin => "pressure_min_kpa",
            Channel::PressureMax => "pressure_max_kpa",
        }
    }

    /// Name in words, for people.
    pub const fn name(self) -> &'static str {
        match self {
            Channel::FloatPosition => "float position",
            Channel::ChamberPressure => "chamber pressure",
            Channel::Odour => "odour",
            Channel::LinePressure => "line pressure",
            Channel::AirTemperature => "air temperature",
            Channel::PressureMin => "least chamber pressure",
            Channel::PressureMax => "greatest chamber pressure",
        }
    }

    /// Unit of the quantity.
    pub const fn unit(self) -> &'static str {
        match self {
            Channel::FloatPosition => "% of stroke",
            Channel::Odour => "ppm",
            Channel::AirTemperature => "degC",
            _ => "kPa",
        }
    }
}

/// One value a channel.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Channels<T>(pub [T; CHANNELS]);

impl<T: Copy> Channels<T> {
    /// The value of one channel.
    #[inline(always)]
    pub fn get(&self, channel: Channel) -> T {
        // A match instead of an index: the compiler then needs no bounds check and no panic path.
        let [float, pressure, odour, line, temperature, least, greatest] = &self.0;
        *match channel {
            Channel::FloatPosition => float,
            Channel::ChamberPressure => pressure,
            Channel::Odour => odour,
            Channel::LinePressure => line,
            Channel::AirTemperature => temperature,
            Channel::PressureMin => least,
            Channel::PressureMax => greatest,
        }
    }

    /// Sets the value of one channel.
    #[inline(always)]
    pub fn set(&mut self, channel: Channel, value: T) {
        *self.slot(channel) = value;
    }

    /// The place of one channel's value.
    #[inline(always)]
    pub fn slot(&mut self, channel: Channel) -> &mut T {
        let [float, pressure, odour, line, temperature, least, greatest] = &mut self.0;
        match channel {
            Channel::FloatPosition => float,
            Channel::ChamberPressure => pressure,
            Channel::Odour => odour,
            Channel::LinePressure => line,
            Channel::AirTemperature => temperature,
            Channel::PressureMin => least,
            Channel::PressureMax => greatest,
        }
    }
}

/// The quantities at 4 mA and at 20 mA.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Quantity at 4 mA, in the channel's unit.
    pub low: f32,
    /// Quantity at 20 mA, in the channel's unit; above `low`.
    pub high: f32,
}

impl Span {
    /// Width of the span, in the channel's unit.
    #[inline(always)]
    pub fn width(self) -> f32 {
        self.high - self.low
    }

    /// Share of the span, 0 at `low` and 1 at `high`.
    #[inline(always)]
    pub fn fraction_of(self, quantity: f32) -> f32 {
        (quantity - self.low) / self.width()
    }
}

/// A contact (on or off).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Contact {
    /// The station's pump runs.
    PumpRunning = 0,
    /// The cover of the vault is open.
    CoverOpen = 1,
    /// Water stands in the vault.
    VaultWater = 2,
}

/// The state of all contacts in one byte: bits 0 to 2 the states, bits 4 to 6 whether each is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Contacts(pub u8);

impl Contacts {
    /// State of a contact; `None` where it is not fitted or not known.
    #[inline(always)]
    pub fn get(self, contact: Contact) -> Option<bool> {
        let bit = 1u8 << (contact as u8);
        (self.0 & (bit << 4) != 0).then_some(self.0 & bit != 0)
    }

    /// The same contacts with one of them set (or made unknown).
    #[must_use]
    pub fn with(self, contact: Contact, state: Option<bool>) -> Contacts {
        let bit = 1u8 << (contact as u8);
        let cleared = self.0 & !(bit | (bit << 4));
        Contacts(match state {
            None => cleared,
            Some(false) => cleared | (bit << 4),
            Some(true) => cleared | (bit << 4) | bit,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn contacts_remember_what_is_unknown() {
        let contacts =
            Contacts::default().with(Contact::PumpRunning, Some(true)).with(Contact::VaultWater, Some(false));
        assert_eq!(contacts.get(Contact::PumpRunning), Some(true));
        assert_eq!(contacts.get(Contact::CoverOpen), None);
        assert_eq!(contacts.get(Contact::VaultWater), Some(false));
        assert_eq!(contacts.with(Contact::PumpRunning, None).get(Contact::PumpRunning), None);
    }

    #[test]
    fn ids_are_positions() {
        for (position, channel) in Channel::ALL.into_iter().enumerate() {
            assert_eq!(channel.index(), position);
            assert_eq!(Channel::from_id(position as u8), Some(channel));
        }
        assert_eq!(Channel::from_id(7), None);
    }
}
