//! The run itself: every sample through the detector, the trackers beside it.

use std::{collections::BTreeMap, path::Path};

use airvalve_monitor::{Changes, Cycle, Event, Learned, Monitor, Settings, SiteData, ValveState, device::digest};
use airvalve_recording::{
    Admission, CodeBlock, Losses, QuantityBlock,
    csv::CsvReport,
    recording::{front_end, spans},
};
use airvalve_sensors::{Channel, Channels, CodeSample, QuantitySample, front_end::Scale};
use airvalve_site::{FindingLimits, Site};
use airvalve_telemetry::{AlarmTransition, Cadence, GapFinder, Header, Interruption, ServiceMark};

use crate::{
    air::AirAccount,
    alarms::{self, AlarmList},
    clock::Clock,
    estimate::Inputs,
    findings::{Trackers, View},
    gap_list::GapList,
    learned::LearnedResult,
    quality::Notes,
    readings::{VIEWED, converted, scales, within, working},
    repeats::Repeats,
    replay::{ReplayError, ReplayOptions},
    result::{CycleResult, Quality, RecordedAlarm, RecordingSpan, Replay, Samples, StateHours, rounded},
    services::Services,
    sight::{Sight, Sighting, is_slow},
    source::Source,
    strip::Strip,
    time::Time,
};

/// One replay under way.
pub(crate) struct Run<'a> {
    site: &'a Site,
    detector: SiteData,
    settings: Settings,
    limits: FindingLimits,
    begins_from: &'static str,
    monitor: Monitor,
    /// Samples of a recording that may still be found to be stamped wrongly.
    waiting: Admission<CodeSample>,
    clock: Clock,
    repeats: Repeats,
    period_us: i64,
    gap_finder: GapFinder,
    gaps: GapList,
    samples: Samples,
    range_us: Option<(i64, i64)>,
    sight: Sight,
    /// Scales of the codes that come now, and whether the detector's own are the same.
    scales: Channels<Scale>,
    has_own_scales: bool,
    /// Readings between which a loop works, by the order of [`VIEWED`].
    working: [(f32, f32); VIEWED.len()],
    trackers: Trackers,
    air: AirAccount,
    alarms: AlarmList,
    services: Services,
    recorded: Vec<RecordedAlarm>,
    cycles: Vec<CycleResult>,
    /// When the release that runs now began.
    release_from_us: Option<i64>,
    strip: Strip,
    pub(crate) notes: Notes,
}

impl<'a> Run<'a> {
    pub(crate) fn new(
        site: &'a Site,
        detector: &SiteData,
        learned: Option<Learned>,
        options: &ReplayOptions,
    ) -> Run<'a> {
        let start = learned.unwrap_or_else(|| Learned::from_data_sheet(detector));
        let period_us = (f64::from(detector.sample_period_s) * 1e6).round() as i64;
        Run {
            site,
            detector: *detector,
            settings: options.settings,
            limits: options.limits,
            begins_from: if learned.is_some() { "recording" } else { "data-sheet" },
            monitor: Monitor::with_learned(detector, &options.settings, &start),
            waiting: Admission::default(),
            clock: Clock::default(),
            repeats: Repeats::default(),
            period_us,
            gap_finder: GapFinder::new(Cadence::all_the_time(period_us)),
            gaps: GapList::default(),
            samples: Samples::default(),
            range_us: None,
            sight: Sight::new(detector, period_us),
            scales: scales(detector),
            has_own_scales: true,
            working: working(&detector.spans),
            trackers: Trackers::new(&options.limits, detector, &start, period_us),
            air: AirAccount::new(Inputs::new(site, detector), detector),
            alarms: AlarmList::default(),
            services: Services::new(&options.services),
            recorded: Vec::new(),
            cycles: Vec::new(),
            release_from_us: None,
            strip: Strip::new(),
            notes: Notes::default(),
        }
    }

    pub(crate) fn site(&self) -> &Site {
        self.site
    }

    pub(crate) fn samples(&self) -> Samples {
        self.samples
    }

    /// The device's time of the last sample.
    pub(crate) fn last_device_us(&self) -> Option<i64> {
        self.range_us.map(|(_, to_us)| to_us.saturating_sub(self.clock.offset_us()))
    }

    /// The first time of data that stand in the files twice, in whole.
    pub(crate) fn repeated_us(&self) -> Option<i64> {
        self.repeats.found_us()
    }

    /// The next file begins.
    pub(crate) fn begin_source(&mut self, source: &Source) {
        self.waiting = Admission::default();
        self.period_us = source.period_us;
        match &source.header {
            Some(header) => self.header(header),
            None => {
                let burst = self.site.sampling.burst.map_or([0.0; 2], |burst| [burst.burst_s, burst.every_s]);
                let burst = burst.map(|length_s| (length_s * 1e6).round() as i64);
                self.find_gaps(burst);
                self.working = working(&self.detector.spans);
            }
        }
    }

    /// A header holds from here on.
    pub(crate) fn header(&mut self, header: &Header) {
        self.settle();
        self.period_us = i64::from(header.sample_period_us.max(1));
        self.find_gaps(header.burst_us());
        let mut made_by = self.detector;
        made_by.front_end = front_end(header);
        made_by.spans = spans(header);
        self.has_own_scales = made_by.front_end == self.detector.front_end
            && Channel::ALL.into_iter().all(|channel| {
                made_by.spans.get(channel).is_none_or(|span| self.detector.spans.get(channel) == Some(span))
            });
        self.scales = scales(&made_by);
        self.working = working(&made_by.spans);
    }

    /// Samples come like this from here on, a period apart.
    fn find_gaps(&mut self, burst_us: [i64; 2]) {
        self.gap_finder.change(Cadence::in_bursts(self.period_us, burst_us));
        self.sight.set_period(self.period_us);
        self.air.set_slow(is_slow(self.period_us), &self.monitor);
        if is_slow(self.period_us) {
            self.notes.slow(self.period_us);
        }
        self.notes.bursts(burst_us.map(|us| us as f64 / 1e6));
    }

    /// Plays samples of a recording.
    pub(crate) fn codes(&mut self, block: CodeBlock<'_>) {
        let first_place = self.waiting.counts().read + 1;
        for (place, sample) in (first_place..).zip(block.samples()) {
            self.samples.read += 1;
            self.waiting.take(Some(sample.time_us), place, sample);
            self.play_waiting();
        }
        let temperature = block.columns.get(Channel::AirTemperature).last();
        let temperature = temperature.map(|code| self.scales.get(Channel::AirTemperature).quantity(*code));
        self.air.note_air_temperature(temperature.unwrap_or(f32::NAN));
    }

    /// Plays what waits: nothing follows, or samples of another header.
    fn settle(&mut self) {
        self.waiting.settle();
        self.play_waiting();
    }

    #[inline(always)]
    fn play_waiting(&mut self) {
        while let Some(sample) = self.waiting.next_used() {
            let Some(moment_us) = self.admit(sample.time_us) else { continue };
            let readings = VIEWED.map(|channel| self.scales.get(channel).quantity(sample.codes.get(channel)));
            let sample = CodeSample { time_us: moment_us, ..sample };
            let changes = if self.has_own_scales {
                self.monitor.step_codes(&sample)
            } else {
                self.monitor.step_quantities(&converted(&sample, &self.scales))
            };
            self.look(moment_us, readings, &changes);
        }
    }

    /// The recording ends here: what became of its samples.
    pub(crate) fn end_recording(&mut self, file: &Path, losses: &Losses) {
        self.settle();
        self.notes.losses(file, losses);
        self.notes.times(file, &self.waiting.counts());
    }

    /// Plays samples of a CSV file.
    pub(crate) fn quantities(&mut self, block: QuantityBlock<'_>) {
        for sample in block.samples() {
            self.samples.read += 1;
            let Some(moment_us) = self.admit(sample.time_us) else { continue };
            let readings = VIEWED.map(|channel| sample.quantities.get(channel));
            let changes = self.monitor.step_quantities(&QuantitySample { time_us: moment_us, ..sample });
            self.look(moment_us, readings, &changes);
        }
        let temperature = block.columns.get(Channel::AirTemperature).last();
        self.air.note_air_temperature(temperature.copied().unwrap_or(f32::NAN));
    }

    /// What is known once a CSV file is read: rows that the reader has left out count as read.
    pub(crate) fn end_csv(&mut self, file: &Path, report: &CsvReport) {
        self.samples.read += report.rows.rejected();
        self.notes.csv(file, report);
    }

    /// An alarm change that the device recorded.
    pub(crate) fn recorded_alarm(&mut self, transition: &AlarmTransition) {
        self.recorded.extend(alarms::recorded(transition, self.clock.offset_us()));
    }

    /// Work on the valve that the device was told of.
    pub(crate) fn service_mark(&mut self, mark: &ServiceMark) {
        if !self.services.take(mark, self.clock.offset_us()) {
            let ServiceMark { time_us, work, channel } = *mark;
            self.notes.say(format!(
                "the device was told at {} of work that is not known here (number {work}, channel {channel}); it is left alone",
                Time(time_us)
            ));
        }
    }

    #[cold]
    fn obey_services(&mut self, moment_us: i64) {
        while let Some(service) = self.services.due(moment_us) {
            self.monitor.service(service);
            self.trackers.service(service, &self.monitor);
        }
    }

    /// The moment of a sample whose time is believed; `None` when it repeats the time before.
    #[inline(always)]
    fn admit(&mut self, time_us: i64) -> Option<i64> {
        let steps_before = self.clock.backward_steps();
        let moment_us = self.clock.moment(time_us, self.period_us)?;
        self.samples.used += 1;
        if self.clock.backward_steps() > steps_before {
            self.repeats.stepped_back();
        }
        if let Some(interruption) = self.gap_finder.step(moment_us) {
            self.interruption(interruption);
        }
        if moment_us >= self.services.next_us() {
            self.obey_services(moment_us);
        }
        self.range_us = Some((self.range_us.map_or(moment_us, |(from_us, _)| from_us), moment_us));
        Some(moment_us)
    }

    #[cold]
    fn interruption(&mut self, Interruption { from_us, to_us, gap }: Interruption) {
        let missing_us = gap.map_or(0, |gap| gap.to_us.saturating_sub(gap.from_us));
        self.sight.pause(to_us.saturating_sub(from_us).saturating_sub(missing_us));
        match gap {
            None => self.trackers.pause(&self.monitor),
            Some(gap) => {
                self.trackers.gap(&self.monitor);
                self.gaps.add(&gap);
            }
        }
    }

    /// Lets everything beside the detector see a sample, and takes what the detector says.
    #[inline(always)]
    fn look(&mut self, moment_us: i64, readings: [f32; VIEWED.len()], changes: &Changes) {
        let [float, pressure, odour] = self.working;
        let [float_pct, pressure_kpa, odour_ppm] = readings;
        if self.repeats.is_watching() {
            let time_us = moment_us.saturating_sub(self.clock.offset_us());
            self.repeats.step(time_us, readings);
        }
        let Learned { zero_kpa, zero_uncertainty_kpa, .. } = *self.monitor.learned();
        let view = View {
            moment_us,
            float_pct: within(float_pct, float),
            pressure_kpa: within(pressure_kpa, pressure) - zero_kpa,
            zero_kpa,
            zero_uncertainty_kpa,
            odour_ppm: within(odour_ppm, odour),
        };
        let view = self.without_faulty(view);
        self.trackers.step(&view, &self.monitor);
        self.air.step(&view, &self.monitor);
        let was_lost = self.sight.is_lost();
        if let Some(sighting) = self.sight.step(&view, self.monitor.state()) {
            self.sighting(&sighting, was_lost);
        }
        self.strip.add(&view, self.monitor.state());
        if !changes.is_empty() {
            self.take(changes);
        }
    }

    #[cold]
    fn sighting(&mut self, sighting: &Sighting, was_lost: bool) {
        match sighting {
            Sighting::Lost => self.air.lost(&self.monitor),
            Sighting::Found(unseen) => self.air.found(unseen, was_lost, &self.monitor),
        }
    }

    /// A channel in a sensor-fault alarm says nothing.
    #[inline(always)]
    fn without_faulty(&self, mut view: View) -> View {
        if self.alarms.is_faulty(Channel::FloatPosition) {
            view.float_pct = f32::NAN;
        }
        if self.alarms.is_faulty(Channel::ChamberPressure) {
            view.pressure_kpa = f32::NAN;
        }
        if self.alarms.is_faulty(Channel::Odour) {
            view.odour_ppm = f32::NAN;
        }
        view
    }

    #[cold]
    fn take(&mut self, changes: &Changes) {
        for change in changes {
            match change {
                Event::State { time_us, state } => {
                    if *state == ValveState::Releasing {
                        self.release_from_us = Some(*time_us);
                    }
                }
                Event::Cycle(cycle) => {
                    let released_nl = self.air.cycle(cycle, self.is_doubtful(cycle), &self.monitor);
                    let number = |value: f32| value.is_finite().then(|| rounded(f64::from(value)));
                    self.cycles.push(CycleResult {
                        from: Time(cycle.from_us),
                        to: Some(Time(cycle.to_us)),
                        released_nl: rounded(released_nl),
                        area_ratio: number(cycle.area_ratio),
                        orifice_nl: rounded(cycle.orifice_nl.iter().map(|nl| f64::from(*nl)).sum()),
                        displacement_nl: number(cycle.displacement_nl),
                        near_step: cycle.is_near_step,
                    });
                }
                Event::Alarm(change) => self.alarms.take(change),
            }
        }
    }

    /// A release of a valve that is said to be stuck open, or that cannot be seen, may be air, liquid or nothing.
    fn is_doubtful(&self, cycle: &Cycle) -> bool {
        self.sight.is_lost() || (self.alarms.is_stuck_open() && cycle.displacement_nl.is_nan())
    }

    /// A release that still runs at the end of the data.
    fn add_running_cycle(&mut self) {
        let Some((_, to_us)) = self.range_us else { return };
        let open_nl = self.monitor.open_release_nl();
        if self.monitor.state() != ValveState::Releasing || open_nl <= 0.0 {
            return;
        }
        let from_us = self.release_from_us.unwrap_or(to_us);
        let released_nl = self.air.running_cycle(from_us, to_us, &self.monitor);
        self.cycles.push(CycleResult {
            from: Time(from_us),
            to: None,
            released_nl: rounded(released_nl),
            area_ratio: None,
            orifice_nl: rounded(f64::from(open_nl)),
            displacement_nl: None,
            near_step: false,
        });
    }

    /// The result.
    ///
    /// # Errors
    /// [`ReplayError::ServiceBehind`] where work was named behind the last sample.
    pub(crate) fn finish(mut self) -> Result<Replay, ReplayError> {
        self.add_running_cycle();
        let (from_us, to_us) = self.range_us.unwrap_or_default();
        let services = self.services.finish(Time(to_us))?;
        let clock = &self.clock;
        let (findings_judged, mut findings) = self.trackers.finish(&self.monitor);
        for finding in &mut findings {
            finding.alarms = self.alarms.standing_between(finding.from.0, finding.to.0);
        }
        let unseen = self.sight.finish(to_us);
        let sight = &self.sight;
        let (air, cut_us) = self.air.finish(unseen.as_ref(), &self.monitor, sight.seen_s());
        let hours = |seconds: f64| rounded(seconds / 3600.0);
        let in_state = |state: ValveState| hours(sight.state_s(state));
        let state_hours = StateHours {
            empty: in_state(ValveState::Empty),
            filling: in_state(ValveState::Filling),
            sealed: in_state(ValveState::Sealed),
            releasing: in_state(ValveState::Releasing),
            admitting: in_state(ValveState::Admitting),
            not_judged: hours(sight.not_judged_s()),
        };
        self.notes.unlisted_gaps(self.gaps.unlisted);
        self.notes.clock(clock);
        cut_us.into_iter().for_each(|hour_us| self.notes.hours(hour_us));
        let (quality, first_of_all, warnings) = self.notes.finish(clock.backward_steps() as u64, self.gaps.hours());
        let [without_float_hours, without_pressure_hours] = sight.without_s().map(hours);
        let quality = Quality { without_float_hours, without_pressure_hours, ..quality };
        Ok(Replay {
            valve_id: self.site.valve_id.clone(),
            name: self.site.name.clone(),
            recording: RecordingSpan { from: Time(from_us), to: Time(to_us), gaps: self.gaps.listed },
            samples: Samples { rejected: self.samples.read - self.samples.used, ..self.samples },
            alarms: self.alarms.finish(&self.detector, &self.settings),
            findings,
            findings_judged,
            finding_limits: finding_limits(&self.limits),
            air,
            cycles: self.cycles,
            state_hours,
            recorded_alarms: self.recorded,
            services,
            learned: LearnedResult::new(self.monitor.learned(), &self.detector, &self.settings.evidence),
            begins_from: self.begins_from,
            settings_digest: format!("{:08x}", digest(&self.settings)),
            quality,
            warnings: first_of_all.iter().cloned().chain(warnings).collect(),
            first_of_all,
            strip: self.strip,
        })
    }
}

fn finding_limits(limits: &FindingLimits) -> BTreeMap<&'static str, f32> {
    FindingLimits::ROWS.iter().filter_map(|row| Some((row.name, limits.get(row.name)?))).collect()
}
