//! A commented site file to start from, made from the table of keys.

use std::fmt::Write as _;

use crate::{
    keys::SITE,
    schema::{Key, Preset},
};

/// A site file with every key, its range and its default; it parses as it stands.
pub fn template() -> String {
    let mut text =
        String::from("# Site file of one air valve. A key behind `#` is optional; write a value for `…` to set it.\n");
    let mut table = "";
    for key in SITE.keys {
        let Some((parent, name)) = key.path.rsplit_once('.') else {
            continue;
        };
        if parent != table {
            table = parent;
            push(&mut text, format_args!("\n{}", heading(table)));
        }
        push(&mut text, format_args!("# {} ({})", key.meaning, key.allowed));
        push(&mut text, format_args!("{}", assignment(key, table, name)));
    }
    text
}

fn push(text: &mut String, content: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = writeln!(text, "{content}");
}

/// A table that must stand is written, an optional one is commented out.
fn heading(table: &str) -> String {
    let mark = if is_optional(table) { "# " } else { "" };
    match table.strip_suffix("[]") {
        Some(list) => format!("{mark}[[{list}]]"),
        None => format!("{mark}[{}]", table.replace('*', "pressure")),
    }
}

fn is_optional(table: &str) -> bool {
    // `[[planned_work]]` need not stand at all, though its keys must where it stands.
    let mut keys = SITE.keys.iter().filter(|key| key.path.rsplit_once('.').is_some_and(|(parent, _)| parent == table));
    table == "planned_work[]" || keys.all(|key| !matches!(key.preset, Preset::Required(_)))
}

fn assignment(key: &Key, table: &str, name: &str) -> String {
    let is_orifice = table == "valve.release_orifice[]";
    match key.preset {
        Preset::Required(example) if !is_optional(table) => format!("{name} = {example}"),
        Preset::Conditional(example) if is_orifice => format!("{name} = {example}"),
        Preset::Required(example) | Preset::Conditional(example) => format!("# {name} = {example}"),
        Preset::Number(number) => format!("# {name} = {number:?}"),
        Preset::Word(word) => format!("# {name} = \"{word}\""),
        Preset::Computed(how) => format!("# {name} = …    # without it: {how}"),
    }
}
