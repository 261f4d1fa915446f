//! CSV files: what is read, what is rejected, what is refused.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::io::Read;

use airvalve_recording::csv::{ColumnMap, CsvError, CsvOptions, CsvReader, CsvReport, Tally, time_zone};
use airvalve_sensors::{Channel, Contact, QuantitySample};
use proptest::prelude::*;

const HEADER: &str = "time,float_pct,pressure_kpa,odour_ppm";

fn read_with(text: &[u8], options: CsvOptions) -> Result<(Vec<QuantitySample>, CsvReport), CsvError> {
    let mut csv = CsvReader::new(text, "night.csv", options)?;
    let mut samples = Vec::new();
    while let Some(block) = csv.next_block()? {
        samples.extend(block.samples());
    }
    Ok((samples, csv.report()))
}

fn read(text: &str) -> (Vec<QuantitySample>, CsvReport) {
    read_with(text.as_bytes(), CsvOptions::default()).unwrap()
}

fn refused(text: &str) -> String {
    read_with(text.as_bytes(), CsvOptions::default()).unwrap_err().to_string()
}

/// Rows at these seconds.
fn rows(seconds: impl IntoIterator<Item = i64>) -> String {
    let row = |second: i64| format!("{}.0,50,100,1\n", 1_700_000_000 + second);
    format!("{HEADER}\n") + &seconds.into_iter().map(row).collect::<String>()
}

#[test]
fn all_columns_of_the_interface_are_read() {
    let (samples, report) = read(
        "time,float_pct,pressure_kpa,odour_ppm,line_pressure_kpa,pump_on,air_temp_c,pressure_min_kpa,pressure_max_kpa,cover_open,vault_water\n\
         2026-03-01T21:14:00.5+01:00,97.25,-3.5,0,180,1,11.5,-4,-3,0,\n",
    );
    let sample = samples[0];
    assert_eq!(sample.time_us, 1_772_396_040_500_000);
    assert_eq!(sample.quantities.0, [97.25, -3.5, 0.0, 180.0, 11.5, -4.0, -3.0]);
    assert_eq!(sample.contacts.get(Contact::PumpRunning), Some(true));
    assert_eq!(sample.contacts.get(Contact::CoverOpen), Some(false));
    assert_eq!(sample.contacts.get(Contact::VaultWater), None);
    assert_eq!((report.rows.read, report.rows.used), (1, 1));
}

#[test]
fn empty_and_bad_cells_are_missing_samples() {
    let (samples, report) = read(&format!("{HEADER}\n1,,5,\n2,x,5,NaN\n3,7,5\n"));
    assert!(samples[0].quantities.get(Channel::FloatPosition).is_nan());
    assert!(samples[1].quantities.get(Channel::FloatPosition).is_nan());
    assert!(samples[2].quantities.get(Channel::Odour).is_nan());
    assert_eq!(report.rows.used, 3);
    let once_in_line_3 = Tally { count: 1, first_line: 3 };
    assert_eq!(report.bad_cells, [("float_pct", once_in_line_3), ("odour_ppm", once_in_line_3)]);
}

#[test]
fn missing_columns_are_named_with_what_is_there() {
    let said = refused("time,Lage,pressure_kpa,odour_ppm\n1,2,3,4\n");
    assert_eq!(
        said,
        "night.csv:1: no column float_pct (found: time, Lage, pressure_kpa, odour_ppm); name the file's columns, as --columns time=Zeit,float_pct=Lage"
    );
}

#[test]
fn a_column_map_gives_other_names() {
    let columns = ColumnMap::parse("time=Zeit, float_pct=Lage").unwrap();
    let options = CsvOptions { columns, ..CsvOptions::default() };
    let text = b"Zeit,Lage,pressure_kpa,odour_ppm,Bemerkung\n1,2,3,4,\"a, b\"\n";
    let (samples, report) = read_with(text, options.clone()).unwrap();
    assert_eq!(samples[0].quantities.get(Channel::FloatPosition), 2.0);
    assert_eq!(report.unused_columns, ["Bemerkung"]);
    let said = read_with(rows([1]).as_bytes(), options).unwrap_err().to_string();
    assert!(said.contains("no column Zeit, Lage"), "{said}");
    assert!(ColumnMap::parse("flot=x").unwrap_err().to_string().contains("`flot` is no column"));
    assert!(ColumnMap::parse("time").unwrap_err().to_string().contains("not NAME=COLUMN"));
}

#[test]
fn byte_order_mark_and_carriage_returns_do_not_matter() {
    let plain = rows(0..20);
    let odd = format!("\u{feff}{}", plain.replace('\n', "\r\n"));
    // As text, since a missing value does not equal itself.
    assert_eq!(format!("{:?}", read(&plain)), format!("{:?}", read(&odd)));
}

#[test]
fn quoted_cells_are_read() {
    let (samples, report) =
        read("\"time\",\"float_pct\",pressure_kpa,odour_ppm\n\"2026-03-01T00:00:00Z\",\"50\",\"1\",\"2\"\n");
    assert_eq!(samples[0].quantities.get(Channel::FloatPosition), 50.0);
    assert_eq!(report.bad_cells, []);
}

#[test]
fn decimal_commas_are_refused_or_taken_when_told() {
    let text = "time;float_pct;pressure_kpa;odour_ppm\n2026-03-01T00:00:00Z;50,5;1,25;\n";
    assert!(refused(text).contains("night.csv:1: columns are separated by semicolons"), "{}", refused(text));
    let options = CsvOptions { decimal_comma: true, ..CsvOptions::default() };
    let (samples, _) = read_with(text.as_bytes(), options).unwrap();
    assert_eq!(samples[0].quantities.get(Channel::ChamberPressure), 1.25);
    let said = refused(&format!("{HEADER}\n2026-03-01T00:00:00Z,50,5,1,25,0\n"));
    assert!(said.contains("night.csv:2: 6 cells under 4 columns (decimal commas"), "{said}");
    assert!(refused("time\tfloat_pct\n1\t2\n").contains("tabs"));
}

#[test]
fn a_row_with_too_many_cells_has_no_samples_that_could_be_wrong() {
    let (samples, report) = read(&format!("{HEADER}\n1,50,1,2\n2,50,5,1,2\n"));
    assert!(samples[1].quantities.0.iter().all(|quantity| quantity.is_nan()));
    assert_eq!(report.long_rows, Tally { count: 1, first_line: 3 });
}

#[test]
fn local_times_need_a_zone() {
    let text = format!("{HEADER}\n2026-07-01 12:00:00,50,1,2\n");
    assert!(refused(&text).contains("night.csv:2: time `2026-07-01 12:00:00` has no offset"), "{}", refused(&text));
    let zone = time_zone("CET").unwrap();
    let options = CsvOptions { time_zone: Some(zone), ..CsvOptions::default() };
    let (samples, _) = read_with(text.as_bytes(), options).unwrap();
    // Source: 2026-07-01T10:00:00Z by the `date` command.
    assert_eq!(samples[0].time_us, 1_782_900_000_000_000);
    assert!(time_zone("Atlantis").unwrap_err().to_string().contains("`Atlantis`: not known"));
}

#[test]
fn the_repeated_hour_in_autumn_loses_no_row() {
    // Two local hours from 02:00 to 03:00, then 03:00 to 04:00: Source: Directive 2000/84/EC, 2025-10-26.
    let hour = |hour: u32| (0..60).map(move |minute| format!("2025-10-26T{hour:02}:{minute:02}:00,50,1,2\n"));
    let text: String = [2, 2, 3].into_iter().flat_map(hour).collect();
    let zone = time_zone("CET").unwrap();
    let options = CsvOptions { time_zone: Some(zone), ..CsvOptions::default() };
    let (samples, report) = read_with(format!("{HEADER}\n{text}").as_bytes(), options).unwrap();
    assert_eq!((report.rows.used, report.rows.rejected(), report.rows.clock_steps.count), (180, 0, 0));
    let first_us = 1_761_436_800_000_000; // 2025-10-26T00:00:00Z
    let expected: Vec<i64> = (0..180).map(|minute| first_us + minute * 60_000_000).collect();
    assert_eq!(samples.iter().map(|sample| sample.time_us).collect::<Vec<_>>(), expected);
}

#[test]
fn bad_times_are_rejected_counted_and_located() {
    let text = rows([0, 1, 1, 2, 0, 3]) + "noon,1,2,3\n,1,2,3\n";
    let (samples, report) = read(&text);
    assert_eq!(samples.len(), 4);
    assert_eq!(report.rows.repeated_time, Tally { count: 1, first_line: 4 });
    assert_eq!(report.rows.out_of_order, Tally { count: 1, first_line: 6 });
    assert_eq!(report.rows.unreadable_time, Tally { count: 2, first_line: 8 });
    assert_eq!(report.first_unreadable_time.as_deref(), Some("noon"));
    assert_eq!(report.rows.read, report.rows.used + report.rows.rejected());
}

#[test]
fn ten_rising_rows_after_a_jump_back_are_a_clock_step() {
    let (samples, report) = read(&rows((100..105).chain(50..60)));
    assert_eq!(report.rows.clock_steps, Tally { count: 1, first_line: 7 });
    assert_eq!((samples.len(), report.rows.rejected()), (15, 0));
    let (samples, report) = read(&rows((100..105).chain(50..59)));
    assert_eq!((samples.len(), report.rows.out_of_order.count), (5, 9));
}

#[test]
fn a_row_stamped_far_ahead_is_rejected_and_no_clock_step() {
    // About two years ahead: early in the file, about where the reader hands out its first block, and near the end.
    for at in [20, 4_090, 4_095, 4_100, 4_997] {
        let good = (0..5_000).map(i64::from);
        let bad = rows(good.clone().take(at).chain([63_000_000]).chain(good.clone().skip(at)));
        let (samples, report) = read(&bad);
        assert_eq!(report.rows.out_of_order, Tally { count: 1, first_line: at as u64 + 2 }, "{at}");
        assert_eq!((report.rows.used, report.rows.clock_steps.count), (5_000, 0));
        let times = |samples: &[QuantitySample]| samples.iter().map(|sample| sample.time_us).collect::<Vec<_>>();
        assert_eq!(times(&samples), times(&read(&rows(good)).0));
    }
}

#[test]
fn a_header_alone_has_no_samples() {
    let (samples, report) = read(HEADER);
    assert_eq!((samples.len(), report.rows.read), (0, 0));
}

/// Hands out `step` bytes at a time.
struct Dripping<'a>(&'a [u8], usize);

impl Read for Dripping<'_> {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let len = self.1.min(self.0.len()).min(into.len());
        let (now, later) = self.0.split_at(len);
        into[..len].copy_from_slice(now);
        self.0 = later;
        Ok(len)
    }
}

fn messy_rows() -> impl Strategy<Value = String> {
    let cell = prop_oneof!["-?[0-9]{0,4}(\\.[0-9]{0,3})?", Just(String::new()), "[a-z\"; ]{0,3}"];
    let time = prop_oneof![4 => (0..60_i64).prop_map(|second| format!("17000000{second:02}.5")), 1 => cell.clone()];
    let row = (time, cell.clone(), cell.clone(), cell).prop_map(|(a, b, c, d)| format!("{a},{b},{c},{d}\n"));
    prop::collection::vec(row, 0..60).prop_map(|rows| format!("{HEADER}\n1,2,3,4\n{}", rows.concat()))
}

proptest! {
    #[test]
    fn every_row_is_used_or_rejected(text in messy_rows()) {
        let (samples, report) = read(&text);
        prop_assert_eq!(report.rows.read, report.rows.used + report.rows.rejected());
        prop_assert_eq!(report.rows.used, samples.len() as u64);
        let rows = text.lines().skip(1).filter(|line| !line.trim().is_empty()).count();
        prop_assert_eq!(report.rows.read, rows as u64);
    }

    #[test]
    fn chunking_of_reads_does_not_matter(text in messy_rows(), step in 1..50_usize) {
        let (whole, report) = read(&text);
        let mut csv = CsvReader::new(Dripping(text.as_bytes(), step), "x", CsvOptions::default()).unwrap();
        let mut samples = Vec::new();
        while let Some(block) = csv.next_block().unwrap() {
            samples.extend(block.samples());
        }
        prop_assert_eq!(format!("{samples:?}"), format!("{whole:?}"));
        prop_assert_eq!(csv.report(), report);
    }

    #[test]
    fn plain_and_quoted_rows_read_alike(value in -999.0..999.0_f32, second in 0..59_u32) {
        let row = |quote: &str| format!("{HEADER}\n2026-03-01T00:00:{second:02}.25Z,{value},{quote}{value}{quote},\n");
        prop_assert_eq!(format!("{:?}", read(&row("")).0), format!("{:?}", read(&row("\"")).0));
    }

    #[test]
    fn no_bytes_make_the_reader_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = read_with(&bytes, CsvOptions::default());
        let mut text = format!("{HEADER}\n").into_bytes();
        text.extend(bytes);
        let _ = read_with(&text, CsvOptions::default());
    }
}

#[test]
fn line_ends_of_a_carriage_return_alone_and_utf_16_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let text = "time,float_pct,pressure_kpa,odour_ppm\r0,90,180,1\r1,90,180,1\r";
    let wide: Vec<u8> = [0xfeff].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
    for (bytes, said) in [(text.as_bytes().to_vec(), "carriage return alone"), (wide, "looks like UTF-16")] {
        let file = folder.path().join("a.csv");
        std::fs::write(&file, bytes).unwrap();
        let error = CsvReader::open(&file, CsvOptions::default()).err().unwrap().to_string();
        assert!(error.contains(said), "{error}");
    }
}
