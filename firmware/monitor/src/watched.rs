//! The channels as the detector watches them: from code to quantity, health, and the mean over the frame that runs.

use airvalve_sensors::{CHANNELS, Channel, Channels, Span, front_end::Scale};

use crate::{health::ChannelHealth, site::SiteData};

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

impl Watched {
    // Not inlined: seven times the same.
    #[inline(never)]
    fn new(channel: Channel, site: &SiteData) -> Watched {
        let span = site.spans.get(channel).unwrap_or(Span { low: 0.0, high: 1.0 });
        Watched {
            is_fitted: site.is_fitted(channel),
            scale: site.front_end.scale(span),
            health: ChannelHealth::new(channel, span),
            sum: 0.0,
            count: 0.0,
            kept: f32::NAN,
        }
    }
}

/// All watched channels.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WatchedChannels {
    pub(crate) all: [Watched; CHANNELS],
    /// How many from the first on can be fitted: most devices carry none of the last.
    until: usize,
}

impl WatchedChannels {
    pub(crate) fn new(site: &SiteData) -> WatchedChannels {
        let until =
            Channel::ALL.into_iter().filter(|channel| site.is_fitted(*channel)).map(|channel| channel.index() + 1);
        let until = until.max().unwrap_or(0);
        let mut all = [Watched::new(Channel::FloatPosition, site); CHANNELS];
        for (watched, channel) in all.iter_mut().zip(Channel::ALL).skip(1) {
            *watched = Watched::new(channel, site);
        }
        WatchedChannels { all, until }
    }

    /// Takes the codes of one sample; returns float and pressure, NaN where there is none to trust.
    #[inline(always)]
    pub(crate) fn take_codes(&mut self, codes: &Channels<i16>, dt_s: f32) -> [f32; 2] {
        take(&mut self.all, self.until, &codes.0, dt_s, Scale::quantity)
    }

    /// Takes the quantities of one sample; returns float and pressure, NaN where there is none to trust.
    #[inline(always)]
    pub(crate) fn take_quantities(&mut self, quantities: &Channels<f32>, dt_s: f32) -> [f32; 2] {
        take(&mut self.all, self.until, &quantities.0, dt_s, |_, quantity| quantity)
    }

    /// Ends the frame: the mean of each channel, NaN where nothing came, and how many readings of pressure are in it.
    pub(crate) fn take_means(&mut self) -> ([f32; CHANNELS], f32) {
        let [_, pressure, ..] = &self.all;
        let pressure_samples = pressure.count;
        let mut means = [f32::NAN; CHANNELS];
        for (mean, channel) in means.iter_mut().zip(&mut self.all) {
            if channel.count > 0.0 {
                *mean = channel.sum / channel.count;
            }
        }
        self.begin_frame();
        (means, pressure_samples)
    }

    /// The sensors of these channels are new ones: nothing is known of how they behave.
    pub(crate) fn renew(&mut self, is_new: impl Fn(Channel) -> bool, site: &SiteData) {
        for (watched, channel) in self.all.iter_mut().zip(Channel::ALL) {
            if let (true, Some(span)) = (is_new(channel), site.spans.get(channel)) {
                watched.health = ChannelHealth::new(channel, span);
            }
        }
    }

    /// Forgets what a gap has made meaningless.
    pub(crate) fn after_gap(&mut self) {
        self.begin_frame();
        self.all.iter_mut().for_each(|channel| channel.health.after_gap());
    }

    fn begin_frame(&mut self) {
        for channel in &mut self.all {
            channel.sum = 0.0;
            channel.count = 0.0;
        }
    }
}

// Not inlined: from a pointer to the table a small processor reaches every field in one instruction.
#[inline(never)]
fn take<R: Copy>(
    channels: &mut [Watched; CHANNELS],
    until: usize,
    readings: &[R; CHANNELS],
    dt_s: f32,
    quantity: impl Fn(Scale, R) -> f32,
) -> [f32; 2] {
    for (channel, reading) in channels.iter_mut().zip(readings).take(until) {
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
