//! The plot of a case: the fault with its severity and onset, and what happens around it.

use std::fmt::Write as _;

use airvalve_monitor::{AlarmKind, Fault};
use airvalve_sensors::Channel;

use crate::{
    case::{Ailing, CaseId, Subject},
    draw::{Draw, rounded},
    plant::Plant,
    story::Story,
    valve::Valve,
};

/// Length of a night that starts cold, h; an onset lies from the third hour on.
const NIGHT_H: f64 = 12.0;
/// Length of a run with fouling, h; its onset lies from the second day on.
const FOULING_H: f64 = 7.0 * 24.0;
/// Length of a fault-free run, h, at the usual rate, at 10 Hz and at 50 Hz.
const FAULT_FREE_H: [f64; 3] = [7.0 * 24.0, 48.0, 12.0];

/// What happens in a case.
pub(crate) struct Plot {
    pub(crate) tables: String,
    pub(crate) traits: Vec<String>,
    pub(crate) hours: f64,
    pub(crate) start_hour: u32,
    pub(crate) onset_h: Option<f64>,
    pub(crate) channel: Option<Channel>,
    pub(crate) ailing: Option<Ailing>,
}

pub(crate) fn plot(id: CaseId, draw: &mut Draw, valve: &Valve, plant: &mut Plant) -> Plot {
    let mut plot = Plot {
        tables: String::new(),
        traits: Vec::new(),
        hours: NIGHT_H,
        // A night, begun in the late afternoon.
        start_hour: 16 + (draw.between(0.0, 5.0) as u32),
        onset_h: None,
        channel: None,
        ailing: None,
    };
    let mut story = Story::default();
    match id.subject {
        Subject::FaultFree => {
            fault_free(&mut plot, &mut story, draw, valve);
            ailing_sensors(&mut plot, draw, valve);
        }
        Subject::Fault(fault) if fault.kind() == AlarmKind::Fouling => {
            fouling(fault, &mut plot, &mut story, draw, valve, plant);
        }
        Subject::Fault(fault) if fault.kind() == AlarmKind::SensorFault => {
            sensor_fault(fault, &mut plot, &mut story, draw, valve, plant);
        }
        Subject::Fault(fault) => stuck(fault, &mut plot, &mut story, draw, valve),
    }
    plot.traits.append(&mut story.losses(draw, plot.hours));
    plot.tables += &story.tables;
    plot
}

fn fault_free(plot: &mut Plot, story: &mut Story, draw: &mut Draw, valve: &Valve) {
    let [usual_h, at_10_hz_h, at_50_hz_h] = FAULT_FREE_H;
    plot.hours = match valve.sample_hz {
        hz if hz > 10.0 => at_50_hz_h,
        hz if hz > 2.0 => at_10_hz_h,
        _ => usual_h,
    };
    story.look_alikes(draw, valve, 0.2, plot.hours, 2.5);
}

/// A float's transmitter that drifts within what the rule of its drift allows, or an odour cell that dies: the first is
/// nothing to tell, the second no fault of the valve.
fn ailing_sensors(plot: &mut Plot, draw: &mut Draw, valve: &Valve) {
    if draw.chance(0.15) {
        let in_all_pct = draw.between(1.0, 2.5);
        let _ = write!(
            plot.tables,
            "[[sensor_fault]]\nkind = \"drift\"\nchannel = \"float_pct\"\nonset = 1\nseverity = {:?}\nis_downward = {}\n",
            rounded(in_all_pct / plot.hours, 5),
            draw.chance(0.5)
        );
        plot.traits.push(format!("float drifts {in_all_pct:.1} % in all"));
    }
    if valve.is_sewage && draw.chance(0.1) {
        let since_h = rounded(draw.between(0.2, 0.8) * plot.hours, 3);
        let channel = Channel::Odour.column();
        let _ = write!(
            plot.tables,
            "[[sensor_fault]]\nkind = \"dead-cell\"\nchannel = \"{channel}\"\nonset = {since_h:?}\n"
        );
        plot.ailing = Some(Ailing { channel: channel.to_owned(), since_s: 3600.0 * since_h });
        plot.traits.push("cell dies".to_owned());
    }
}

fn stuck(fault: Fault, plot: &mut Plot, story: &mut Story, draw: &mut Draw, valve: &Valve) {
    let onset_h = rounded(draw.between(2.0, 9.5), 4);
    plot.onset_h = Some(onset_h);
    let mut keys = String::new();
    let mut severity = |value: f64| keys = format!("severity = {:?}\n", rounded(value, 4));
    match fault {
        Fault::JammedLow if draw.chance(0.5) => {
            let most_pct = valve.small.opens_below_pct - 6.0;
            keys = format!("position_pct = {:?}\n", rounded(draw.between(0.0, most_pct), 1));
        }
        Fault::LargeSeatOpen => {
            // Litres a second: the chamber sags by 6 to 25 %.
            severity(valve.large_share_that_sags(draw.between(0.06, 0.25)));
            // Debris comes with a fill or a vacuum.
            if draw.chance(0.6) {
                story.drain_within(draw, valve, (onset_h - 0.02, onset_h - 0.02));
            }
        }
        Fault::SmallSeatOpen => severity(draw.log_between(0.1, 1.0)),
        Fault::SmallBlocked => severity(1.0),
        Fault::LargeShut => {
            severity(draw.between(0.97, 1.0));
            story.deep_drain_within(draw, valve, (onset_h + 0.1, onset_h + 1.0));
        }
        Fault::JammedUp if draw.chance(0.5) => {
            story.deep_drain_within(draw, valve, (onset_h + 0.4, onset_h + 1.5));
        }
        _ => {}
    }
    if draw.chance(0.7) {
        story.look_alikes(draw, valve, 0.1, onset_h - 0.5, 6.0);
    }
    let _ = write!(plot.tables, "[[fault]]\nkind = \"{}\"\nonset = {onset_h:?}\n{keys}", fault.name());
}

fn fouling(fault: Fault, plot: &mut Plot, story: &mut Story, draw: &mut Draw, valve: &Valve, plant: &Plant) {
    plot.hours = FOULING_H;
    let onset_h = rounded(draw.between(24.0, 72.0), 3);
    plot.onset_h = Some(onset_h);
    let (severity, growth_h) = match fault {
        // At least half of the area, as the goal has it.
        Fault::Clogging => (draw.between(0.5, 0.8), draw.between(12.0, 60.0)),
        // Friction of 4.5 to 9 % of the stroke: a severity of 1 is 12 %, of which minutes at rest give back nine tenths on
        // the second model.
        Fault::Sluggish => (draw.between(0.38, 0.75), draw.between(0.0, 24.0)),
        // A leak of 70 to 100 % of what arrives.
        Fault::Weeping => {
            let leak_nl_s = draw.between(0.7, 1.0) * plant.arrival_nl_h / 3600.0;
            (leak_nl_s / valve.capacity_nl_s(valve.usual_kpa()), draw.between(0.0, 24.0))
        }
        _ => (draw.between(0.1, 0.2), draw.between(0.0, 24.0)),
    };
    story.look_alikes(draw, valve, 0.2, plot.hours, 2.0);
    let _ = write!(
        plot.tables,
        "[[fault]]\nkind = \"{}\"\nonset = {onset_h:?}\nseverity = {:?}\ngrowth_h = {:?}\n",
        fault.name(),
        rounded(severity, 7),
        rounded(growth_h, 2)
    );
}

fn sensor_fault(fault: Fault, plot: &mut Plot, story: &mut Story, draw: &mut Draw, valve: &Valve, plant: &Plant) {
    let (first_h, last_h) = if fault == Fault::DeadCell { (4.0, 7.0) } else { (2.0, 9.5) };
    let onset_h = rounded(draw.between(first_h, last_h), 4);
    plot.onset_h = Some(onset_h);
    let channel = failing_channel(fault, draw, valve, plant);
    plot.channel = Some(channel);
    plot.traits.push(channel.column().to_owned());
    let keys = match fault {
        Fault::Drift => {
            let pct_h = rounded(draw.log_between(2.0, 10.0), 2);
            // An odour cell that drifts upwards cannot be told from more gas.
            let is_downward = draw.chance(0.5) || channel == Channel::Odour;
            format!("severity = {pct_h:?}\nis_downward = {is_downward}\n")
        }
        Fault::Noise => format!("severity = {:?}\n", rounded(draw.log_between(2.0, 6.0), 2)),
        Fault::Saturated => format!("is_downward = {}\n", draw.chance(0.5)),
        _ => String::new(),
    };
    story.look_alikes(draw, valve, 0.1, plot.hours, 5.0);
    let _ = write!(
        plot.tables,
        "[[sensor_fault]]\nkind = \"{}\"\nchannel = \"{}\"\nonset = {onset_h:?}\n{keys}",
        fault.name(),
        channel.column()
    );
}

fn failing_channel(fault: Fault, draw: &mut Draw, valve: &Valve, plant: &Plant) -> Channel {
    if fault == Fault::DeadCell {
        return Channel::Odour;
    }
    let mut channels = vec![Channel::ChamberPressure];
    if valve.is_sewage {
        channels.push(Channel::Odour);
    }
    if fault == Fault::FlatLine {
        // Of the odour cells every other stands at the lowest that its loop carries, and a flat line there tells nothing.
        channels.push(Channel::ChamberPressure);
    }
    for optional in [Channel::LinePressure, Channel::AirTemperature] {
        if plant.channels.contains(&optional.column()) && fault != Fault::Drift {
            channels.push(optional);
        }
    }
    draw.pick(Channel::FloatPosition, &channels)
}
