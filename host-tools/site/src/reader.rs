//! From the text of a site file to a [`Site`].

use std::path::Path;

use airvalve_sensors::{Channel, Channels, Span};

use crate::{
    atmosphere::pressure_from_altitude_kpa,
    checked::Checked,
    keys::{self, sensor_table},
    model::{
        Burst, LargeOrifice, Line, OrificeFlow, Origin, PlannedWork, ReleaseOrifice, Sampling, SensorSpec, Sensors,
        Site, Stated, Uncertainty, Valve, Vault, Water,
    },
    problem::FileError,
    schema::{Preset, is_valve_id},
};

impl Site {
    /// Reads a site file.
    ///
    /// # Errors
    /// [`FileError`] when it cannot be read, or with all that is wrong with it.
    pub fn read(path: impl AsRef<Path>) -> Result<Site, FileError> {
        let path = path.as_ref();
        Site::parse(&crate::problem::read_text(path)?, path)
    }

    /// Reads the text of a site file; `file` names it in messages and gives the valve's id where the text does not.
    ///
    /// # Errors
    /// [`FileError::Refused`] with all that is wrong with it.
    pub fn parse(text: &str, file: impl AsRef<Path>) -> Result<Site, FileError> {
        let file = file.as_ref();
        let mut reader = Reader { checked: Checked::new(text, keys::SITE), stated: Vec::new() };
        let mut site = reader.site(file);
        crate::rules::check(&site, &mut reader.checked);
        site.stated = reader.stated;
        site.doubts = reader.checked.take_doubts();
        reader.checked.finish(file)?;
        Ok(site)
    }
}

/// Hands out the values of a checked text and remembers where each came from.
///
/// A value that is missing or was refused reads NaN or empty; the problem stands in `checked`, so no such site gets out.
struct Reader {
    checked: Checked,
    stated: Vec<Stated>,
}

impl Reader {
    fn site(&mut self, file: &Path) -> Site {
        let name = self.word("site.name");
        let altitude_m = self.number("site.altitude_m");
        let valve_id = self.valve_id(file);
        let from_altitude_kpa = pressure_from_altitude_kpa(altitude_m);
        let p_atm_kpa = self.number_or("site.p_atm_kpa", from_altitude_kpa);
        let line = self.line();
        Site {
            name,
            valve_id,
            altitude_m,
            p_atm_kpa,
            line,
            valve: self.valve(),
            vault: Vault {
                volume_m3: self.number("vault.volume_m3"),
                air_changes_per_h: self.number("vault.air_changes_per_h"),
            },
            water: Water {
                is_sewage: self.word("water.kind") != "clean",
                temperature_c: self.number("water.temperature_c"),
            },
            sensors: self.sensors(line.allowable_kpa),
            sampling: self.sampling(),
            uncertainty: self.uncertainty(),
            planned_work: self.planned_work(),
            stated: Vec::new(),
            doubts: Vec::new(),
        }
    }

    fn line(&mut self) -> Line {
        Line {
            static_kpa: self.number("line.static_kpa"),
            working_kpa: self.number("line.working_kpa"),
            allowable_kpa: self.number("line.allowable_kpa"),
            flow_l_s: self.number("line.flow_l_s"),
            largest_pocket_m3: self.number("line.largest_pocket_m3"),
        }
    }

    fn valve(&mut self) -> Valve {
        let seal_volume_l = self.number("valve.seal_volume_l");
        let stroke_volume_l = self.number("valve.stroke_volume_l");
        let diameter_mm = self.number("valve.large_orifice.diameter_mm");
        let coefficient = self.number("valve.large_orifice.discharge_coefficient");
        let inflow = self.number_or("valve.large_orifice.inflow_coefficient", coefficient);
        let opens_below_pct = self.number("valve.large_orifice.opens_below_pct");
        let default_closes_pct = (opens_below_pct + 2.0).min(100.0);
        let large_orifice = LargeOrifice {
            diameter_mm,
            discharge_coefficient: coefficient,
            inflow_coefficient: inflow,
            opens_below_pct,
            closes_above_pct: self.number_or("valve.large_orifice.closes_above_pct", default_closes_pct),
            reopen_kpa: self.number("valve.large_orifice.reopen_kpa"),
        };
        let count = self.checked.count("valve.release_orifice");
        Valve {
            seal_volume_l,
            stroke_volume_l,
            large_orifice,
            release_orifices: (0..count).map(|place| self.release_orifice(place)).collect(),
        }
    }

    fn release_orifice(&mut self, place: usize) -> ReleaseOrifice {
        let at = |name: &str| format!("valve.release_orifice[{place}].{name}");
        let conductance = at("sonic_conductance_dm3_s_bar");
        let ratio = at("critical_ratio");
        let flow = if self.checked.is_given(&conductance) || self.checked.is_given(&ratio) {
            OrificeFlow::Conductance {
                sonic_conductance_dm3_s_bar: self.needed(&conductance),
                critical_ratio: self.needed(&ratio),
            }
        } else {
            OrificeFlow::Coefficient {
                diameter_mm: self.number(&at("diameter_mm")),
                discharge_coefficient: self.number(&at("discharge_coefficient")),
                reference_ratio: self.optional_number(&at("reference_ratio")),
            }
        };
        ReleaseOrifice {
            flow,
            opens_below_pct: self.number(&at("opens_below_pct")),
            closes_above_pct: self.number(&at("closes_above_pct")),
        }
    }

    fn sensors(&mut self, allowable_kpa: f64) -> Sensors {
        let sample_hz = self.number("sensors.sample_hz");
        let mut channels = Channels([SensorSpec::usual(Channel::FloatPosition, 0.0); 7]);
        for channel in Channel::ALL {
            let mut usual = SensorSpec::usual(channel, allowable_kpa);
            if matches!(channel, Channel::PressureMin | Channel::PressureMax) {
                // The same transmitter, read faster.
                usual = channels.get(Channel::ChamberPressure);
            }
            channels.set(channel, self.sensor(channel, usual));
        }
        Sensors { sample_hz, channels }
    }

    fn sensor(&mut self, channel: Channel, usual: SensorSpec) -> SensorSpec {
        let table = sensor_table(channel);
        let mut value = |name: &str, usual: f32| self.number_or(&format!("sensors.{table}.{name}"), f64::from(usual));
        SensorSpec {
            span: Span { low: value("low", usual.span.low) as f32, high: value("high", usual.span.high) as f32 },
            accuracy_pct_span: value("accuracy_pct_span", usual.accuracy_pct_span as f32),
            lag_s: value("lag_s", usual.lag_s as f32),
        }
    }

    fn sampling(&mut self) -> Sampling {
        let burst = (self.word("sampling.mode") == "burst")
            .then(|| Burst { burst_s: self.number("sampling.burst_s"), every_s: self.number("sampling.every_s") });
        Sampling { burst }
    }

    fn uncertainty(&mut self) -> Uncertainty {
        let mut limit = |name: &str| self.number(&format!("uncertainty.{name}"));
        Uncertainty {
            coefficient_pct: limit("coefficient_pct"),
            diameter_pct: limit("diameter_pct"),
            volume_pct: limit("volume_pct"),
            position_pct_stroke: limit("position_pct_stroke"),
            p_atm_kpa: limit("p_atm_kpa"),
            temperature_c: limit("temperature_c"),
        }
    }

    fn planned_work(&mut self) -> Vec<PlannedWork> {
        let count = self.checked.count("planned_work");
        let work = (0..count).map(|place| PlannedWork {
            from_us: self.time_us(&format!("planned_work[{place}].from")),
            to_us: self.time_us(&format!("planned_work[{place}].to")),
            note: self.word(&format!("planned_work[{place}].note")),
        });
        work.collect()
    }

    fn valve_id(&mut self, file: &Path) -> String {
        let key = "site.valve_id";
        if let Some(id) = self.checked.given_text(key) {
            self.state(key, id.clone(), Origin::File);
            return id;
        }
        let id = id_from_name(file);
        self.state(key, id.clone(), Origin::Computed("the file's name"));
        id
    }

    /// The number of a key that must be given or has a default.
    fn number(&mut self, path: &str) -> f64 {
        let preset = self.checked.row_of(path).map(|row| row.preset);
        match (self.checked.given_number(path), preset) {
            (Some(number), _) => self.state_number(path, number, Origin::File),
            (None, Some(Preset::Number(number))) => self.state_number(path, number, Origin::Default),
            (None, _) => {
                self.checked.report_missing(path, "…");
                f64::NAN
            }
        }
    }

    /// The number of a key whose default is worked out.
    fn number_or(&mut self, path: &str, computed: f64) -> f64 {
        let how = match self.checked.row_of(path).map(|row| row.preset) {
            Some(Preset::Computed(how)) => how,
            _ => "",
        };
        match self.checked.given_number(path) {
            Some(number) => self.state_number(path, number, Origin::File),
            None => self.state_number(path, computed, Origin::Computed(how)),
        }
    }

    /// The number of a key that another key makes necessary.
    fn needed(&mut self, path: &str) -> f64 {
        let Some(number) = self.optional_number(path) else {
            self.checked.report_missing(path, "0.5");
            return f64::NAN;
        };
        number
    }

    fn optional_number(&mut self, path: &str) -> Option<f64> {
        let number = self.checked.given_number(path)?;
        Some(self.state_number(path, number, Origin::File))
    }

    fn word(&mut self, path: &str) -> String {
        let preset = self.checked.row_of(path).map(|row| row.preset);
        let (word, origin) = match (self.checked.given_text(path), preset) {
            (Some(word), _) => (word, Origin::File),
            (None, Some(Preset::Word(word))) => (word.to_owned(), Origin::Default),
            (None, _) => {
                self.checked.report_missing(path, "…");
                return String::new();
            }
        };
        self.state(path, word.clone(), origin);
        word
    }

    fn time_us(&mut self, path: &str) -> i64 {
        let Some(time) = self.checked.given_time(path) else {
            self.checked.report_missing(path, "…");
            return 0;
        };
        self.state(path, time.to_string(), Origin::File);
        time.as_microsecond()
    }

    fn state_number(&mut self, path: &str, number: f64, origin: Origin) -> f64 {
        // f32 defaults would show their f64 tail.
        self.state(path, format!("{}", (number * 1e6).round() / 1e6), origin);
        number
    }

    fn state(&mut self, path: &str, value: String, origin: Origin) {
        let unit = self.checked.row_of(path).map_or("", |row| row.allowed.unit());
        self.stated.push(Stated { key: path.to_owned(), value, unit, origin });
    }
}

impl SensorSpec {
    /// The transmitter that a site has when its file does not say.
    fn usual(channel: Channel, allowable_kpa: f64) -> SensorSpec {
        // 1.6 x allowable holds a surge to one and a half times the allowable pressure.
        let pressure = (-100.0, (1.6 * allowable_kpa) as f32, 1.0, 0.1);
        let (low, high, accuracy_pct_span, lag_s) = match channel {
            Channel::FloatPosition => (0.0, 100.0, 1.0, 0.1),
            Channel::Odour => (0.0, 200.0, 5.0, 20.0),
            Channel::AirTemperature => (-20.0, 60.0, 1.0, 60.0),
            _ => pressure,
        };
        SensorSpec { span: Span { low, high }, accuracy_pct_span, lag_s }
    }
}

/// A valve's id made from a file's name.
fn id_from_name(file: &Path) -> String {
    let stem = file.file_stem().map(|stem| stem.to_string_lossy().to_lowercase());
    let plain = |c: char| {
        if is_valve_id(c.encode_utf8(&mut [0; 4])) { c } else { '-' }
    };
    let id: String = stem.unwrap_or_default().chars().map(plain).take(32).collect();
    // Standard input has no name either.
    if id.chars().all(|c| c == '-') { "valve".to_owned() } else { id }
}
