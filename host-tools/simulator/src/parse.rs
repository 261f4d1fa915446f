//! From the text of a scenario file to a [`Scenario`].

use std::path::{Path, PathBuf};

use airvalve_sensors::{Channel, Contact, FailureMode};

use crate::{
    keys::CHANNEL_NAMES,
    reader::{Reader, ScenarioError, Section, When},
    scenario::{
        Air, BusFault, BusFaultKind, Event, Fault, FaultKind, Happening, Inflow, Plant, Pump, Sampling, Scenario,
        SensorFault, TrueValve, Vault,
    },
};

impl FaultKind {
    /// Kind, severity and growth in hours where the file gives none, by the kind's name.
    fn from_name(name: &str) -> (FaultKind, f64, f64) {
        match name {
            "jammed-low" => (FaultKind::JammedLow, 1.0, 0.0),
            "large-seat-open" => (FaultKind::LargeSeatOpen, 0.1, 0.0),
            "small-seat-open" => (FaultKind::SmallSeatOpen, 1.0, 0.0),
            "jammed-up" => (FaultKind::JammedUp, 1.0, 0.0),
            "small-blocked" => (FaultKind::SmallBlocked, 1.0, 0.0),
            "large-shut" => (FaultKind::LargeShut, 1.0, 0.0),
            "clogging" => (FaultKind::Clogging, 0.5, 48.0),
            "sluggish" => (FaultKind::Sluggish, 0.5, 0.0),
            "weeping" => (FaultKind::Weeping, 0.002, 0.0),
            "heavy" => (FaultKind::Heavy, 0.08, 0.0),
            _ => (FaultKind::CutOff, 1.0, 0.0),
        }
    }
}

impl Scenario {
    /// Reads a scenario; `file` names it in messages, and its folder is where the site file is looked for.
    ///
    /// # Errors
    /// [`ScenarioError`] with file, line, key, value and what is allowed.
    pub fn parse(text: &str, file: &Path) -> Result<Scenario, ScenarioError> {
        let reader = Reader::new(text, file)?;
        let top = reader.table("")?;
        let clock = Clock::new(&top)?;
        let stem = file.file_stem().map_or("scenario".into(), |stem| stem.to_string_lossy().into_owned());
        Ok(Scenario {
            name: top.text("name")?.map_or(stem, str::to_owned),
            seed: top.whole("seed")?.unwrap_or(1),
            start_us: clock.start_us,
            duration_s: clock.duration_s,
            file: file.to_owned(),
            site: PathBuf::from(top.text("site")?.unwrap_or_default()),
            sample_hz: top.number("sample_hz")?,
            channels: channels(&top)?,
            contacts: contacts(&top)?,
            steps_are_fixed: top.word("steps")? == "fixed",
            plant: plant(&reader.table("plant")?)?,
            inflow: inflow(&reader.table("inflow")?)?,
            pump: pump(&reader.table("pump")?)?,
            air: air(&reader.table("air")?)?,
            vault: vault(&reader.table("vault")?)?,
            true_valve: true_valve(&reader.table("true_valve")?)?,
            noise_pct_span: reader.table("sensors")?.number_or_preset("noise_pct_span")?,
            faults: all(&reader, "fault[]", |section| fault(section, &clock))?,
            sensor_faults: all(&reader, "sensor_fault[]", |section| sensor_fault(section, &clock))?,
            events: all(&reader, "event[]", |section| event(section, &clock))?,
            bus_faults: all(&reader, "bus_fault[]", |section| bus_fault(section, &clock))?,
            sampling: sampling(&reader, &clock)?,
        })
    }
}

/// Turns moments into seconds after the start.
struct Clock {
    start_us: i64,
    duration_s: f64,
}

impl Clock {
    fn new(top: &Section<'_>) -> Result<Clock, ScenarioError> {
        /// 2031-03-01T00:00:00Z, the default start of the table of keys.
        const DEFAULT_START_US: i64 = 1_930_089_600_000_000;
        let start = top.time("start")?;
        Ok(Clock {
            start_us: start.map_or(DEFAULT_START_US, |start| start.as_microsecond()),
            duration_s: 3600.0 * top.number_or_preset("duration_h")?,
        })
    }

    fn seconds(&self, section: &Section<'_>, name: &str) -> Result<Option<f64>, ScenarioError> {
        match section.when(name)? {
            None => Ok(None),
            Some(When::AfterHours(hours)) => Ok(Some(3600.0 * hours)),
            Some(When::At(time)) => {
                let seconds = (time.as_microsecond() - self.start_us) as f64 * 1e-6;
                if seconds < 0.0 {
                    let rule = "it lies before the start of the scenario";
                    return Err(section.place(name).contradiction(time.to_string(), rule));
                }
                Ok(Some(seconds))
            }
        }
    }

    fn onset(&self, section: &Section<'_>) -> Result<f64, ScenarioError> {
        let onset_s = self.seconds(section, "onset")?.unwrap_or(0.0);
        if onset_s >= self.duration_s {
            let hours = format!("{} h after the start", onset_s / 3600.0);
            return Err(section.place("onset").contradiction(hours, "the scenario has ended by then"));
        }
        Ok(onset_s)
    }

    /// The end of something that begins at `from_s`.
    fn until(&self, section: &Section<'_>, from_s: f64) -> Result<Option<f64>, ScenarioError> {
        let until_s = self.seconds(section, "until")?;
        if let Some(until_s) = until_s.filter(|until_s| *until_s <= from_s) {
            let hours = format!("{} h after the start", until_s / 3600.0);
            return Err(section.place("until").contradiction(hours, "it is not after the onset"));
        }
        Ok(until_s)
    }
}

fn all<T>(
    reader: &Reader<'_>,
    section: &'static str,
    read: impl Fn(&Section<'_>) -> Result<T, ScenarioError>,
) -> Result<Vec<T>, ScenarioError> {
    reader.tables(section)?.iter().map(read).collect()
}

fn channel_from_name(name: &str) -> Channel {
    let position = CHANNEL_NAMES.iter().position(|known| *known == name);
    position.and_then(|id| Channel::from_id(id as u8)).unwrap_or(Channel::FloatPosition)
}

fn channels(top: &Section<'_>) -> Result<Vec<Channel>, ScenarioError> {
    let mut channels = vec![Channel::FloatPosition, Channel::ChamberPressure, Channel::Odour];
    for name in top.words("channels")?.unwrap_or_default() {
        let channel = channel_from_name(name);
        if !channels.contains(&channel) {
            channels.push(channel);
        }
    }
    Ok(channels)
}

fn contacts(top: &Section<'_>) -> Result<Vec<Contact>, ScenarioError> {
    let names = top.words("contacts")?.unwrap_or_else(|| vec!["pump_on"]);
    let contact = |name: &&str| match *name {
        "pump_on" => Contact::PumpRunning,
        "cover_open" => Contact::CoverOpen,
        _ => Contact::VaultWater,
    };
    Ok(names.iter().map(contact).collect())
}

fn plant(section: &Section<'_>) -> Result<Plant, ScenarioError> {
    Ok(Plant {
        main_diameter_mm: section.number("main_diameter_mm")?,
        wave_speed_m_s: section.number_or_preset("wave_speed_m_s")?,
        reflection_s: section.number_or_preset("reflection_s")?,
        riser_length_m: section.number_or_preset("riser_length_m")?,
        riser_diameter_mm: section.number("riser_diameter_mm")?,
        riser_loss: section.number_or_preset("riser_loss")?,
        float_play_pct: section.number_or_preset("float_play_pct")?,
        ripple_pct: section.number_or_preset("ripple_pct")?,
        wall_heat_s: section.number_or_preset("wall_heat_s")?,
        pressure_wander_kpa: section.number_or_preset("pressure_wander_kpa")?,
        is_empty_at_start: section.word("initial")? == "empty",
        initial_float_pct: section.number_or_preset("initial_float_pct")?,
    })
}

fn inflow(section: &Section<'_>) -> Result<Inflow, ScenarioError> {
    Ok(Inflow {
        mean_l_s: section.number("mean_l_s")?,
        day_swing_pct: section.number_or_preset("day_swing_pct")?,
        peak_hour: section.number_or_preset("peak_hour")?,
        variation_pct: section.number_or_preset("variation_pct")?,
    })
}

fn pump(section: &Section<'_>) -> Result<Pump, ScenarioError> {
    Ok(Pump {
        well_volume_m3: section.number("well_volume_m3")?,
        initial_level_pct: section.number_or_preset("initial_level_pct")?,
        start_s: section.number_or_preset("start_s")?,
        stop_s: section.number_or_preset("stop_s")?,
        start_surge_kpa: section.number("start_surge_kpa")?,
        stop_surge_kpa: section.number("stop_surge_kpa")?,
        surge_period_s: section.number_or_preset("surge_period_s")?,
        surge_decay_s: section.number_or_preset("surge_decay_s")?,
    })
}

fn air(section: &Section<'_>) -> Result<Air, ScenarioError> {
    Ok(Air {
        base_nl_h: section.number_or_preset("base_nl_h")?,
        pumping_nl_h: section.number_or_preset("pumping_nl_h")?,
        start_nl: section.number_or_preset("start_nl")?,
        start_spread_s: section.number_or_preset("start_spread_s")?,
        day_swing_pct: section.number_or_preset("day_swing_pct")?,
        slugs_per_day: section.number_or_preset("slugs_per_day")?,
        slug_nl: section.number_or_preset("slug_nl")?,
        trend_pct_d: section.number_or_preset("trend_pct_d")?,
        train_slugs: libm::floor(section.number_or_preset("train_slugs")?),
        train_gap_s: section.number_or_preset("train_gap_s")?,
        edge_pct: section.number_or_preset("edge_pct")?,
        is_moist: section.flag("is_moist")?,
    })
}

fn vault(section: &Section<'_>) -> Result<Vault, ScenarioError> {
    Ok(Vault {
        gas_h2s_ppm: section.number("gas_h2s_ppm")?,
        near_volume_l: section.number_or_preset("near_volume_l")?,
        near_exchange_l_s: section.number_or_preset("near_exchange_l_s")?,
        stripping: section.number_or_preset("stripping")?,
        drain_l_s: section.number_or_preset("drain_l_s")?,
        temperature_swing_c: section.number_or_preset("temperature_swing_c")?,
    })
}

fn true_valve(section: &Section<'_>) -> Result<TrueValve, ScenarioError> {
    Ok(TrueValve {
        random_share: section.number_or_preset("random_share")?,
        small_opens_pct_off: section.number("small_opens_pct_off")?,
        second_opens_pct_off: section.number("second_opens_pct_off")?,
        large_opens_pct_off: section.number("large_opens_pct_off")?,
        small_coefficient_pct_off: section.number("small_coefficient_pct_off")?,
        second_coefficient_pct_off: section.number("second_coefficient_pct_off")?,
        large_coefficient_pct_off: section.number("large_coefficient_pct_off")?,
        seal_volume_pct_off: section.number("seal_volume_pct_off")?,
        stroke_volume_pct_off: section.number("stroke_volume_pct_off")?,
        p_atm_kpa_off: section.number("p_atm_kpa_off")?,
        zero_pct_span: [
            section.number("float_zero_pct_span")?,
            section.number("pressure_zero_pct_span")?,
            section.number("odour_zero_pct_span")?,
            section.number("line_zero_pct_span")?,
            section.number("temperature_zero_pct_span")?,
        ],
    })
}

fn fault(section: &Section<'_>, clock: &Clock) -> Result<Fault, ScenarioError> {
    let name = section.word("kind")?;
    let (kind, severity, growth_h) = FaultKind::from_name(name);
    let onset_s = clock.onset(section)?;
    Ok(Fault {
        kind,
        name,
        onset_s,
        until_s: clock.until(section, onset_s)?,
        severity: section.number("severity")?.unwrap_or(severity),
        growth_s: 3600.0 * section.number("growth_h")?.unwrap_or(growth_h),
        position: section.number("position_pct")?.map(|position| 0.01 * position),
        is_second_orifice: section.word("orifice")? == "second",
        place: section.place("kind"),
    })
}

fn sensor_fault(section: &Section<'_>, clock: &Clock) -> Result<SensorFault, ScenarioError> {
    let name = section.word("kind")?;
    let severity = section.number("severity")?;
    let is_downward = section.flag("is_downward")?;
    let mode = match name {
        "wire-break" => FailureMode::WireBreak,
        "short" => FailureMode::Short,
        "saturated" => FailureMode::Saturated { high: !is_downward },
        "flat-line" => FailureMode::FlatLine,
        "drift" => {
            let upward = severity.unwrap_or(2.0) as f32;
            FailureMode::Drift { pct_span_per_h: if is_downward { -upward } else { upward } }
        }
        "noise" => FailureMode::Noise { pct_span: severity.unwrap_or(3.0) as f32 },
        "dead-cell" => FailureMode::DeadCell,
        _ => FailureMode::Missing,
    };
    let channel = channel_from_name(section.word("channel")?);
    if mode == FailureMode::DeadCell && channel != Channel::Odour {
        let rule = "only the odour sensor has an electrochemical cell";
        return Err(section.place("kind").contradiction(name.to_owned(), rule));
    }
    let onset_s = clock.onset(section)?;
    Ok(SensorFault {
        mode,
        name,
        channel,
        onset_s,
        until_s: clock.until(section, onset_s)?,
        place: section.place("channel"),
    })
}

fn event(section: &Section<'_>, clock: &Clock) -> Result<Event, ScenarioError> {
    let kind = section.word("kind")?;
    let duration_s = |preset_h: f64| -> Result<f64, ScenarioError> {
        Ok(3600.0 * section.number("duration_h")?.unwrap_or(preset_h))
    };
    let inflow = |preset: f64| -> Result<Happening, ScenarioError> {
        Ok(Happening::Inflow { duration_s: duration_s(6.0)?, factor: section.number("factor")?.unwrap_or(preset) })
    };
    let what = match kind {
        "pocket" => Happening::Pocket {
            volume_m3: section.number("volume_m3")?.unwrap_or(0.2),
            spread_s: section.number_or_preset("spread_s")?,
        },
        "drain-down" => drain(section, false)?,
        "burst" => drain(section, true)?,
        "refill" => Happening::Refill { flow_l_s: section.number("flow_l_s")? },
        "pump-trip" => Happening::PumpTrip { duration_s: duration_s(0.1)?, surge_kpa: section.number("surge_kpa")? },
        "storm" => inflow(4.0)?,
        "quiet" => inflow(0.1)?,
        "isolation" => Happening::Isolation { duration_s: duration_s(2.0)? },
        "flood" => Happening::Flood { duration_s: duration_s(6.0)? },
        "change-over" => Happening::ChangeOver {
            duration_s: duration_s(12.0)?,
            factor: section.number("factor")?.unwrap_or(0.8).min(3.0),
        },
        "pressure-shift" => Happening::PressureShift {
            duration_s: duration_s(2.0)?,
            by_kpa: section.number("by_kpa")?.ok_or_else(|| {
                section
                    .place("by_kpa")
                    .contradiction("not given".to_owned(), "a pressure-shift must say how far it goes")
            })?,
            fall_s: section.number("fall_s")?.unwrap_or(10.0),
        },
        _ => Happening::CoverOpen { duration_s: duration_s(0.5)? },
    };
    Ok(Event { at_s: clock.seconds(section, "at")?.unwrap_or(0.0), what, place: section.place("kind") })
}

fn drain(section: &Section<'_>, is_burst: bool) -> Result<Happening, ScenarioError> {
    let fall_s = if is_burst { 2.0 } else { 20.0 };
    let refill_after_h = section.number("refill_after_h")?;
    Ok(Happening::Drain {
        is_burst,
        flow_l_s: section.number("flow_l_s")?,
        volume_m3: section.number("volume_m3")?,
        drive_kpa: section.number_or_preset("drive_kpa")?,
        fall_s: section.number("fall_s")?.unwrap_or(fall_s),
        refill_after_s: refill_after_h.map(|hours| 3600.0 * hours),
        refill_flow_l_s: section.number("refill_flow_l_s")?,
    })
}

fn bus_fault(section: &Section<'_>, clock: &Clock) -> Result<BusFault, ScenarioError> {
    let onset_s = clock.onset(section)?;
    let converter = section.word("converter")?;
    Ok(BusFault {
        kind: match section.word("kind")? {
            "nack" => BusFaultKind::Nack,
            "stuck" => BusFaultKind::Stuck,
            _ => BusFaultKind::Late,
        },
        onset_s,
        until_s: clock.until(section, onset_s)?,
        share: section.number_or_preset("share")?,
        hits: [converter != "second", converter != "first"],
    })
}

fn sampling(reader: &Reader<'_>, clock: &Clock) -> Result<Sampling, ScenarioError> {
    let section = reader.table("sampling")?;
    let pair = (section.number("burst_s")?, section.number("every_s")?);
    let burst = match pair {
        (Some(burst_s), Some(every_s)) if burst_s < every_s => Some((burst_s, every_s)),
        (None, None) => None,
        (burst_s, _) => {
            let value = burst_s.map_or("not given".to_owned(), |value| value.to_string());
            let rule = "burst_s and every_s belong together, every_s the longer";
            return Err(section.place("burst_s").contradiction(value, rule));
        }
    };
    Ok(Sampling {
        loss_share: 0.01 * section.number_or_preset("loss_pct")?,
        repeat_share: 0.01 * section.number_or_preset("repeat_pct")?,
        burst,
        gaps: all(reader, "gap[]", |section| gap(section, clock))?,
        clock_steps: all(reader, "clock_step[]", |section| {
            Ok((clock.seconds(section, "at")?.unwrap_or(0.0), section.number("by_s")?.unwrap_or(0.0)))
        })?,
    })
}

fn gap(section: &Section<'_>, clock: &Clock) -> Result<(f64, f64), ScenarioError> {
    let from_s = clock.seconds(section, "from")?.unwrap_or(0.0);
    let to_s = clock.seconds(section, "to")?.unwrap_or(0.0);
    if to_s <= from_s {
        let hours = format!("{} h after the start", to_s / 3600.0);
        return Err(section.place("to").contradiction(hours, "it is not after from"));
    }
    Ok((from_s, to_s))
}
