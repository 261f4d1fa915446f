//! What a recording has lost, for whoever uses the rest of it: how much, where it begins, what to do.

use std::path::Path;

use airvalve_telemetry::Damage;

use crate::{inspect::reason, recording::Item};

/// Losses of one sort.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lost {
    /// Places.
    pub places: u64,
    /// Bytes or frames in all, by the sort.
    pub amount: u64,
    /// Where the first begins, bytes from the beginning of the file.
    pub first_offset: u64,
}

impl Lost {
    fn add(&mut self, amount: u64, offset: u64) {
        if self.places == 0 {
            self.first_offset = offset;
        }
        self.places += 1;
        self.amount += amount;
    }
}

/// All losses of a recording.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Losses {
    /// Damaged stretches; the amount is bytes.
    pub damaged: Lost,
    /// What was wrong with the first of them.
    pub first_reason: Option<Damage>,
    /// Where the file breaks off inside a frame, bytes.
    pub cut_at: Option<u64>,
    /// Frames that are missing by their numbers.
    pub missing: Lost,
    /// Whole frames that mean nothing here.
    pub skipped: Lost,
}

impl Losses {
    /// Takes note of a thing that the recording holds.
    pub fn note(&mut self, item: &Item<'_>) {
        match item {
            Item::Damaged(damaged) if damaged.reason == Damage::CutShort => self.cut_at = Some(damaged.offset),
            Item::Damaged(damaged) => {
                self.first_reason.get_or_insert(damaged.reason);
                self.damaged.add(damaged.length, damaged.offset);
            }
            Item::Lost { frames, offset } => self.missing.add(u64::from(*frames), *offset),
            Item::Skipped { offset, .. } => self.skipped.add(1, *offset),
            Item::Header(_) | Item::Block(_) | Item::Record(_) | Item::Restarted { .. } => {}
        }
    }

    /// One sentence a sort of loss: file, place, what is lost, what to do.
    pub fn sentences(&self, file: &Path) -> Vec<String> {
        let file = file.display();
        let mut said = Vec::new();
        let Lost { places, amount, first_offset } = self.damaged;
        if places > 0 {
            let what = self.first_reason.map_or("", reason);
            said.push(format!(
                "{file}: {places} damaged {}, the first at byte {first_offset} ({what}), {amount} bytes in all: what stood \
                 there is lost and the rest is used; copy the file again from where it was recorded",
                if places == 1 { "place" } else { "places" }
            ));
        }
        let Lost { amount, first_offset, .. } = self.missing;
        if amount > 0 {
            said.push(format!(
                "{file}: {amount} {} missing by their numbers, the first at byte {first_offset}: their samples are gaps; \
                 fetch them from the device if it still has them",
                if amount == 1 { "frame is" } else { "frames are" }
            ));
        }
        let Lost { amount, first_offset, .. } = self.skipped;
        if amount > 0 {
            said.push(format!(
                "{file}: {amount} whole {} left out, the first at byte {first_offset}: of a later version, of a broken \
                 layout, or samples that no header explains; use the newest program",
                if amount == 1 { "frame" } else { "frames" }
            ));
        }
        said.extend(self.cut_at.map(|offset| {
            format!(
                "{file}: breaks off inside the frame at byte {offset}: what stands before it is used; copy the file again \
                 when the recording is over"
            )
        }));
        said
    }
}
