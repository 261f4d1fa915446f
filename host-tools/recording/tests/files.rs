//! Files as a whole: kinds, places that cannot be written, import and export.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::{fs, io::Write, path::Path};

use airvalve_recording::{
    Item, Recording, RecordingWriter, WholeFile,
    csv::{CsvOptions, CsvReader, Tally},
    export_csv, export_csv_with, import, import_with, inspect, inspect_with,
};
use airvalve_sensors::{Channel, CodeSample, Contact, Contacts, MISSING_CODE};
use airvalve_site::Site;
use airvalve_telemetry::{ChannelInfo, FORMAT_VERSION, Header};

const SITE: &str = r#"
site = { name = "Example hill", altitude_m = 85.0, valve_id = "valve-a" }
line = { static_kpa = 180.0, working_kpa = 320.0, allowable_kpa = 1000.0, flow_l_s = 28.0 }
vault = { volume_m3 = 5.0, air_changes_per_h = 2.0 }
sensors.sample_hz = 10.0
[valve]
seal_volume_l = 1.2
stroke_volume_l = 6.0
large_orifice = { diameter_mm = 50.0, discharge_coefficient = 0.62, opens_below_pct = 20.0, reopen_kpa = 5.0 }
release_orifice = [{ diameter_mm = 2.5, discharge_coefficient = 0.65, opens_below_pct = 80.0, closes_above_pct = 92.0 }]
"#;

fn site() -> Site {
    Site::parse(SITE, "valve-a.toml").unwrap()
}

fn said(path: &Path) -> String {
    inspect(path, &CsvOptions::default()).unwrap_err().to_string()
}

fn samples(path: &Path) -> Vec<CodeSample> {
    let mut recording = Recording::open(path).unwrap();
    let mut samples = Vec::new();
    while let Some(item) = recording.next_item().unwrap() {
        if let Item::Block(block) = item {
            samples.extend(block.samples());
        }
    }
    samples
}

#[test]
fn a_file_is_told_by_its_content() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("night.airvalve");
    fs::write(&path, "").unwrap();
    assert!(said(&path).contains("the file is empty (0 bytes)"), "{}", said(&path));
    fs::write(&path, "[site]\nname = 1\n").unwrap();
    assert!(said(&path).contains("neither a recording nor a CSV file"), "{}", said(&path));
    fs::write(&path, [7_u8; 5000]).unwrap();
    assert!(said(&path).contains("neither a recording nor a CSV file"), "{}", said(&path));
    fs::write(&path, "time,float_pct,pressure_kpa,odour_ppm\n1,2,3,4\n").unwrap();
    assert_eq!(inspect(&path, &CsvOptions::default()).unwrap().kind, "csv");
    assert!(Recording::open(&path).err().unwrap().to_string().contains("a CSV file, not a recording"));
    assert!(said(folder.path()).contains("cannot be read"), "{}", said(folder.path()));
    assert!(said(Path::new("/nowhere")).contains("/nowhere: cannot be read"));
}

#[test]
fn a_file_appears_only_when_it_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("out.csv");
    fs::write(&path, "old").unwrap();
    let mut file = WholeFile::create(&path).unwrap();
    file.write_all(b"new").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"old");
    drop(file);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    let mut file = WholeFile::create(&path).unwrap();
    file.write_all(b"new").unwrap();
    file.finish().unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"new");
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn an_unfinished_file_is_no_other_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("out.csv");
    let users = folder.path().join("out.csv.partial");
    fs::write(&users, "the user's").unwrap();
    let [mut first, second] = [(); 2].map(|()| WholeFile::create(&path).unwrap());
    first.write_all(b"first").unwrap();
    drop(second);
    first.finish().unwrap();
    assert_eq!((fs::read(&path).unwrap(), fs::read(&users).unwrap()), (b"first".to_vec(), b"the user's".to_vec()));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
}

#[cfg(unix)]
#[test]
fn a_file_that_is_replaced_keeps_its_permissions_and_a_link_stays_one() {
    use std::os::unix::fs::{PermissionsExt as _, symlink};
    let folder = tempfile::tempdir().unwrap();
    let (path, link, dangling) =
        (folder.path().join("out.csv"), folder.path().join("link.csv"), folder.path().join("to-come.csv"));
    fs::write(&path, "old").unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
    symlink(&path, &link).unwrap();
    symlink("new.csv", &dangling).unwrap();
    for (name, target) in [(&link, &path), (&dangling, &folder.path().join("new.csv"))] {
        let mut file = WholeFile::create(name).unwrap();
        file.write_all(b"new").unwrap();
        file.finish().unwrap();
        assert!(fs::symlink_metadata(name).unwrap().is_symlink());
        assert_eq!(fs::read(target).unwrap(), b"new");
    }
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o640);
}

#[cfg(unix)]
#[test]
fn one_file_is_known_by_all_its_names() {
    use airvalve_recording::whole_file::is_same_file;
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    fs::write(at("a"), "").unwrap();
    fs::write(at("b"), "").unwrap();
    fs::create_dir(at("sub")).unwrap();
    std::os::unix::fs::symlink(at("a"), at("link")).unwrap();
    fs::hard_link(at("a"), at("hard")).unwrap();
    for name in ["a", "sub/../a", "link", "hard"] {
        assert!(is_same_file(&at("a"), &at(name)), "{name}");
    }
    // Not there yet.
    assert!(is_same_file(&at("new"), &at("sub/../new")));
    for name in ["b", "new", "sub", "no/new"] {
        assert!(!is_same_file(&at("a"), &at(name)), "{name}");
    }
    assert!(!is_same_file(Path::new("/dev/null"), Path::new("/dev/null")));
}

#[test]
fn a_full_disk_is_said_and_leaves_nothing() {
    if !Path::new("/dev/full").exists() {
        return;
    }
    let mut file = WholeFile::create("/dev/full").unwrap();
    let written = file.write_all(&[0; 1 << 20]).err().map(|source| file.error("written", source));
    let error = written.or_else(|| file.finish().err()).unwrap().to_string();
    assert!(error.contains("/dev/full: cannot be written") && error.contains("free some space"), "{error}");

    let header = header(&[0]);
    let error = (|| {
        let mut writer = RecordingWriter::create("/dev/full", header)?;
        for number in 0..100_000 {
            writer.write_sample(&sample(number))?;
        }
        writer.finish()
    })();
    assert!(error.unwrap_err().to_string().contains("free some space"));
}

#[test]
fn a_folder_that_is_not_there_or_a_file_in_the_way_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let error = WholeFile::create(folder.path().join("no/out")).unwrap_err().to_string();
    assert!(error.contains("make the folder first"), "{error}");
    let error = WholeFile::create(folder.path()).unwrap_err().to_string();
    assert!(error.contains("name a file, not a folder"), "{error}");
}

#[test]
fn no_permission_is_said() {
    // Root may write anywhere, but not there.
    let error = WholeFile::create("/proc/out").unwrap_err().to_string();
    assert!(error.contains("/proc/out: cannot be made"), "{error}");
}

fn header(channels: &[u8]) -> Header {
    let site = site();
    let info = |id: &u8| {
        let span = site.sensors.channels.get(Channel::from_id(*id).unwrap()).span;
        ChannelInfo { id: *id, low: span.low, high: span.high }
    };
    Header {
        device_id: "valve-a".try_into().unwrap(),
        format_version: FORMAT_VERSION,
        channels: channels.iter().map(info).collect(),
        contacts_fitted: 0b101,
        sample_period_us: 100_000,
        anchor_us: 1_772_400_000_000_000,
        shunt_milliohm: 150_000,
        full_scale_mv: 4096,
        ..Header::default()
    }
}

/// A sample of codes from a broken loop (0 mA) to a shorted one (22 mA).
fn sample(number: i64) -> CodeSample {
    let mut sample = CodeSample::missing(1_772_400_000_000_000 + number * 100_000 + number % 3);
    for (place, channel) in Channel::ALL.into_iter().enumerate() {
        // From 0 to 20.5 mA: what lies above widens its span. Source: NAMUR NE 43.
        let code = (number * (7 + place as i64) * 131 % 24_600) as i16;
        sample.codes.set(channel, if number % 13 == place as i64 { MISSING_CODE } else { code });
    }
    sample.contacts = Contacts::default()
        .with(Contact::PumpRunning, Some(number % 2 == 0))
        .with(Contact::VaultWater, (number % 3 == 0).then_some(true));
    sample
}

#[test]
fn a_recording_goes_to_csv_and_back_with_the_same_codes_and_times() {
    let folder = tempfile::tempdir().unwrap();
    let (first, csv, second) = (folder.path().join("a"), folder.path().join("a.csv"), folder.path().join("b"));
    let mut writer = RecordingWriter::create(&first, header(&[0, 1, 2, 3, 4, 5, 6])).unwrap();
    (0..30_000).for_each(|number| writer.write_sample(&sample(number)).unwrap());
    writer.finish().unwrap();
    assert_eq!(export_csv(&first, &csv).unwrap().samples, 30_000);
    let imported = import(&csv, &site(), &CsvOptions::default(), &second).unwrap();
    assert_eq!(imported.widened, []);
    assert_eq!(imported.report.rows.rejected(), 0);
    assert_eq!(samples(&second), samples(&first));
    let (old, new) = (Recording::open(&first).unwrap(), Recording::open(&second).unwrap());
    assert_eq!(old.header(), new.header());
}

#[test]
fn channels_that_are_not_fitted_stay_so() {
    let folder = tempfile::tempdir().unwrap();
    let (first, csv, second) = (folder.path().join("a"), folder.path().join("a.csv"), folder.path().join("b"));
    let mut writer = RecordingWriter::create(&first, header(&[0, 1])).unwrap();
    (0..100).for_each(|number| writer.write_sample(&sample(number)).unwrap());
    writer.finish().unwrap();
    export_csv(&first, &csv).unwrap();
    let text = fs::read_to_string(&csv).unwrap();
    assert!(text.starts_with("time,float_pct,pressure_kpa,odour_ppm,pump_on,vault_water\n"), "{text}");
    import(&csv, &site(), &CsvOptions::default(), &second).unwrap();
    assert_eq!(samples(&second), samples(&first));
}

#[test]
fn a_span_is_widened_to_hold_the_data_and_it_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, out) = (folder.path().join("a.csv"), folder.path().join("a"));
    fs::write(&csv, "time,float_pct,pressure_kpa,odour_ppm\n1,50,3000,\n2,50,100,\n").unwrap();
    let imported = import(&csv, &site(), &CsvOptions::default(), &out).unwrap();
    let said: Vec<String> = imported.widened.iter().map(ToString::to_string).collect();
    assert_eq!(said.len(), 1);
    assert!(said[0].starts_with("chamber pressure: span -100 .. 1600 widened to -100 .. 3000 kPa"), "{said:?}");
    // The odour column is empty throughout: not fitted.
    assert_eq!(imported.header.channels.iter().map(|info| info.id).collect::<Vec<_>>(), [0, 1]);
    assert_eq!(samples(&out)[0].codes.get(Channel::ChamberPressure), 24_000);
    assert_eq!(imported.header.sample_period_us, 1_000_000);
}

#[test]
fn a_mark_of_a_missing_value_widens_no_span_and_is_counted_as_a_bad_cell() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, out) = (folder.path().join("a.csv"), folder.path().join("a"));
    let rows = "1,50,100,1,15\n2,-999,-9999,-327.68,-127\n3,1e30,9999,-999,850\n4,52,100,1,15\n";
    fs::write(&csv, format!("time,float_pct,pressure_kpa,odour_ppm,air_temp_c\n{rows}")).unwrap();
    let imported = import(&csv, &site(), &CsvOptions::default(), &out).unwrap();
    let twice = Tally { count: 2, first_line: 3 };
    let columns = ["float_pct", "pressure_kpa", "odour_ppm", "air_temp_c"];
    assert_eq!(imported.report.bad_cells, columns.map(|column| (column, twice)));
    assert_eq!(imported.report.first_bad_cells[0], ("float_pct", "-999".to_owned()));
    assert_eq!((imported.report.rows.used, imported.widened.len()), (4, 0));
    let codes = samples(&out).into_iter().map(|sample| sample.codes.get(Channel::FloatPosition));
    assert_eq!(codes.map(|code| code == MISSING_CODE).collect::<Vec<_>>(), [false, true, true, false]);
}

#[test]
fn what_a_failed_loop_reads_is_kept_and_widens_no_span_below() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, out) = (folder.path().join("a.csv"), folder.path().join("a"));
    // 0 mA of each span. Source: NAMUR NE 43; 0 mA lies a quarter of the span below it.
    let rows = "1,50,100,1\n2,-25,-525,-50\n";
    fs::write(&csv, format!("time,float_pct,pressure_kpa,odour_ppm\n{rows}")).unwrap();
    let imported = import(&csv, &site(), &CsvOptions::default(), &out).unwrap();
    assert_eq!((imported.report.bad_cells.len(), imported.widened.len()), (0, 0));
    let broken = samples(&out)[1];
    for channel in [Channel::FloatPosition, Channel::ChamberPressure, Channel::Odour] {
        assert_eq!(broken.codes.get(channel), 0, "{channel:?}");
    }
}

#[test]
fn inspect_and_import_tell_the_same_sample_period() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, out) = (folder.path().join("a.csv"), folder.path().join("a"));
    // A second between rows, but seven between the first two.
    let row = |second: u32| format!("{second},50,100,1\n");
    let rows: String = [0].into_iter().chain(7..60).chain(68..120).map(row).collect();
    fs::write(&csv, format!("time,float_pct,pressure_kpa,odour_ppm\n{rows}")).unwrap();
    assert_eq!(import(&csv, &site(), &CsvOptions::default(), &out).unwrap().header.sample_period_us, 1_000_000);
    let gaps = |file: &Path| inspect(file, &CsvOptions::default()).unwrap().gaps;
    assert_eq!(gaps(&csv).count, 2);
    assert_eq!(gaps(&csv), gaps(&out));
}

#[test]
fn a_csv_without_a_row_that_can_be_used_makes_no_recording() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, out) = (folder.path().join("a.csv"), folder.path().join("a"));
    fs::write(&csv, "time,float_pct,pressure_kpa,odour_ppm\nnoon,50,3000,\n").unwrap();
    let error = import(&csv, &site(), &CsvOptions::default(), &out).unwrap_err().to_string();
    assert!(error.contains("no row can be used (1 read): time `noon` in line 2 cannot be read"), "{error}");
    assert!(!out.exists());
}

#[test]
fn an_export_reads_back_as_quantities() {
    let folder = tempfile::tempdir().unwrap();
    let (first, csv) = (folder.path().join("a"), folder.path().join("a.csv"));
    let mut writer = RecordingWriter::create(&first, header(&[0, 1, 2])).unwrap();
    (0..1_000).for_each(|number| writer.write_sample(&sample(number)).unwrap());
    writer.finish().unwrap();
    export_csv(&first, &csv).unwrap();
    let mut reader = CsvReader::open(&csv, CsvOptions::default()).unwrap();
    let mut read = 0;
    while let Some(block) = reader.next_block().unwrap() {
        read += block.len();
    }
    assert_eq!(read, 1_000);
}

#[test]
fn progress_rises_to_the_number_of_samples() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, out, again) =
        (folder.path().join("a.csv"), folder.path().join("a.airvalve"), folder.path().join("b.csv"));
    let header = "time,float_pct,pressure_kpa,odour_ppm\n".to_owned();
    let rows = (0..20_000).map(|second| format!("{},90,180,1\n", 1_772_400_000 + second));
    fs::write(&csv, header + &rows.collect::<String>()).unwrap();
    let options = CsvOptions::default();
    type Work<'a> = &'a dyn Fn(&dyn Fn(u64));
    let works: [(&str, Work<'_>); 4] = [
        ("import", &|progress| drop(import_with(&csv, &site(), &options, &out, progress).unwrap())),
        ("export", &|progress| assert_eq!(export_csv_with(&out, &again, progress).unwrap().samples, 20_000)),
        ("inspect CSV", &|progress| drop(inspect_with(&csv, &options, progress).unwrap())),
        ("inspect recording", &|progress| drop(inspect_with(&out, &options, progress).unwrap())),
    ];
    for (name, work) in works {
        let heard = std::cell::RefCell::new(Vec::new());
        work(&|samples| heard.borrow_mut().push(samples));
        let heard = heard.into_inner();
        assert!(heard.len() > 2 && heard.is_sorted(), "{name}: {heard:?}");
        assert_eq!(heard.last(), Some(&20_000), "{name}");
    }
}
