//! A site in words: every value with its unit and origin, and what follows from it.

use std::fmt::Write as _;

use airvalve_sensors::{Channel, FrontEnd};

use crate::{
    keys::{SITE, sensor_table},
    model::{Origin, Site, Stated},
    orifice::{round, steady},
};

/// Paper at least this wide has room for a value in one line.
const WIDE: usize = 120;

/// Explains a site for people: every value with unit and origin, then the figures derived from it; a value takes one line
/// on wide paper and several on narrower.
pub fn explain(site: &Site, width: usize) -> String {
    let mut text = String::new();
    let key_width = site.stated.iter().map(|stated| stated.key.len()).max().unwrap_or_default();
    for stated in &site.stated {
        let value = format!("{} {}", stated.value, stated.unit);
        let (value, origin) = (value.trim_end(), origin(stated));
        let meaning = SITE.row_of(&stated.key).map_or("", |row| row.meaning);
        if width >= WIDE {
            line(&mut text, format_args!("{:key_width$}  {value:<28} {origin:<42} {meaning}", stated.key));
        } else {
            paragraph(&mut text, "", &format!("{} = {value}", stated.key), width);
            paragraph(&mut text, "    ", &format!("{origin}; {meaning}"), width);
        }
    }
    line(&mut text, format_args!(""));
    line(&mut text, format_args!("What follows from it:"));
    for derived in derived(site) {
        paragraph(&mut text, "- ", &derived, width);
    }
    text
}

fn origin(stated: &Stated) -> String {
    match stated.origin {
        Origin::File => "from the file".to_owned(),
        Origin::Default => "default".to_owned(),
        Origin::Computed(how) => format!("computed: {how}"),
    }
}

/// Words in lines of at most so many characters, the first behind a sign, the others as deep.
fn paragraph(text: &mut String, sign: &str, words: &str, width: usize) {
    let mut begun = sign.to_owned();
    for word in words.split_whitespace() {
        let is_first = begun.trim_end().len() <= sign.trim_end().len() && begun.len() == sign.len();
        if !is_first && begun.chars().count() + 1 + word.chars().count() > width {
            line(text, format_args!("{begun}"));
            begun = format!("{:indent$}{word}", "", indent = sign.len());
        } else {
            begun += if is_first { "" } else { " " };
            begun += word;
        }
    }
    line(text, format_args!("{begun}"));
}

fn line(text: &mut String, content: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = writeln!(text, "{content}");
}

fn derived(site: &Site) -> Vec<String> {
    let valve = &site.valve;
    let mut figures = vec![format!(
        "air space of the body: {:.2} L (float up) to {:.2} L (float down)",
        valve.seal_volume_l,
        valve.seal_volume_l + valve.stroke_volume_l
    )];
    let working_kpa = site.line.working_kpa + site.p_atm_kpa;
    for (place, orifice) in valve.release_orifices.iter().enumerate() {
        let name = if place == 0 { "small orifice" } else { "second stage" };
        let flow = steady(site.release_orifice(&orifice.flow), working_kpa, site.p_atm_kpa, site.water.temperature_c);
        figures.push(format!(
            "{name} at working pressure ({:.1} kPa absolute): {:.1} NL/min, {}",
            working_kpa,
            flow.nl_min,
            if flow.is_choked { "choked" } else { "not choked" }
        ));
    }
    figures.push(inflow(site));
    for channel in Channel::ALL {
        let span = site.sensors.channels.get(channel).span;
        figures.push(format!(
            "{} ([sensors.{}]): {} .. {} {}, one code is {:.4}",
            channel.name(),
            sensor_table(channel),
            span.low,
            span.high,
            channel.unit(),
            FrontEnd::default().scale(span).quantity_per_code
        ));
    }
    if let Some(burst) = site.sampling.burst {
        let share_pct = 100.0 * burst.burst_s / burst.every_s;
        figures.push(format!("sampled {share_pct:.1} % of the time, in bursts"));
    }
    figures
}

fn inflow(site: &Site) -> String {
    const VACUUM_KPA: f64 = 20.0;
    let large = &site.valve.large_orifice;
    let orifice = round(large.diameter_mm, large.inflow_coefficient);
    let inside_kpa = site.p_atm_kpa - VACUUM_KPA;
    let admitted = steady(orifice, site.p_atm_kpa, inside_kpa, site.water.temperature_c);
    format!("large orifice at {VACUUM_KPA} kPa of vacuum: {:.0} NL/min in", admitted.nl_min)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn an_explanation_keeps_to_the_paper_whatever_its_width() {
        let site = Site::parse(&crate::template(), "a.toml").unwrap();
        for width in [40, 80, 119] {
            let text = explain(&site, width);
            // One key alone can be longer.
            let longest = text.lines().filter(|line| line.contains(' ')).map(|line| line.chars().count()).max();
            assert!(longest.unwrap() <= width.max(50), "{width}: {longest:?}");
            assert!(site.stated.iter().all(|stated| text.contains(&stated.key)));
        }
        assert!(explain(&site, 160).lines().count() < explain(&site, 80).lines().count());
    }
}
