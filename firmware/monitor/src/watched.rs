//! The channels that the detector watches: from code to quantity, health, and the mean over the frame that runs.

use airvalve_sensors::{CHANNELS, Channel, Channels, Span, front_end::Scale};

use crate::{health::ChannelHealth, site::SiteData};

/// Number of watched channels.
pub(crate) const WATCHED: usize = 5;
/// The watched channels, in the order of their ids.
pub(crate) const WATCHED_CHANNELS: [Channel; WATCHED] =
    [Channel::FloatPosition, Channel::ChamberPressure, Channel::Odour, Channel::LinePressure, Channel::AirTemperature];

/// One watched channel.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Watched {
    pub(crate) is_fitted: bool,
    scale: Scale,
    pub(crate) health: ChannelHealth,
    sum: f32,
    count: f32,
    /// The last reading to go on with, NaN when there was none to trust.
    kept: f32,
}

/// All watched channels.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WatchedChannels(pub(crate) [Watched; WATCHED]);

impl WatchedChannels {
    pub(crate) fn new(site: &SiteData) -> WatchedChannels {
        WatchedChannels(WATCHED_CHANNELS.map(|channel| {
            let span = site.spans.get(channel).unwrap_or(Span { low: 0.0, high: 1.0 });
            Watched {
                is_fitted: site.is_fitted(channel),
                scale: site.front_end.scale(span),
                health: ChannelHealth::new(span),
                sum: 0.0,
                count: 0.0,
                kept: f32::NAN,
            }
        }))
    }

    /// Takes the codes of one sample; returns float and pressure, NaN where there is none to trust.
    #[inline(always)]
    pub(crate) fn take_codes(&mut self, codes: &Channels<i16>, dt_s: f32) -> [f32; 2] {
        take(&mut self.0, &codes.0, dt_s, Scale::quantity)
    }

    /// Takes the quantities of one sample; returns float and pressure, NaN where there is none to trust.
    #[inline(always)]
    pub(crate) fn take_quantities(&mut self, quantities: &Channels<f32>, dt_s: f32) -> [f32; 2] {
        take(&mut self.0, &quantities.0, dt_s, |_, quantity| quantity)
    }

    /// Ends the frame: the mean of each channel, NaN where nothing came, and how many readings of pressure are in it.
    pub(crate) fn take_means(&mut self) -> ([f32; WATCHED], f32) {
        let [_, pressure, ..] = &self.0;
        let pressure_samples = pressure.count;
        let mut means = [f32::NAN; WATCHED];
        for (mean, channel) in means.iter_mut().zip(&mut self.0) {
            if channel.count > 0.0 {
                *mean = channel.sum / channel.count;
            }
        }
        self.begin_frame();
        (means, pressure_samples)
    }

    /// Forgets what a gap has made meaningless.
    pub(crate) fn after_gap(&mut self) {
        self.begin_frame();
        self.0.iter_mut().for_each(|channel| channel.health.after_gap());
    }

    fn begin_frame(&mut self) {
        for channel in &mut self.0 {
            channel.sum = 0.0;
            channel.count = 0.0;
        }
    }
}

// Not inlined: from a pointer to the table a small processor reaches every field in one instruction.
#[inline(never)]
fn take<R: Copy>(
    channels: &mut [Watched; WATCHED],
    readings: &[R; CHANNELS],
    dt_s: f32,
    quantity: impl Fn(Scale, R) -> f32,
) -> [f32; 2] {
    for (channel, reading) in channels.iter_mut().zip(readings) {
        if !channel.is_fitted {
            continue;
        }
        let kept = channel.health.accept(quantity(channel.scale, *reading), dt_s);
        channel.kept = kept;
        if !kept.is_nan() {
            channel.sum += kept;
            channel.count += 1.0;
        }
    }
    let [float, pressure, ..] = channels;
    [float.kept, pressure.kept]
}
