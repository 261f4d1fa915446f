//! What is written on: its width, and whether it takes colour.

use std::io::IsTerminal;

/// Width where the terminal does not say.
const USUAL_WIDTH: usize = 80;

/// Narrower paper is not adapted to.
const LEAST_WIDTH: usize = 40;
/// Indent of what stands below a label that takes up half of the paper.
const LEAST_INDENT: usize = 4;

/// Terminal, pipe or file.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Paper {
    pub(crate) width: usize,
    has_colour: bool,
}

/// How a piece of text stands out; colour never says what words do not.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Ink {
    Alarm,
    Heading,
    Faint,
}

impl Paper {
    /// Standard output as it is.
    pub(crate) fn of_stdout() -> Paper {
        let is_terminal = std::io::stdout().is_terminal();
        let is_dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        // Source: the convention of no-color.org: set and not empty.
        let is_colour_refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let width =
            if is_terminal { terminal_size::terminal_size().map(|(width, _)| usize::from(width.0)) } else { None };
        Paper {
            width: width.unwrap_or(USUAL_WIDTH).clamp(LEAST_WIDTH, 160),
            has_colour: is_terminal && !is_dumb && !is_colour_refused,
        }
    }

    #[cfg(test)]
    pub(crate) const fn plain(width: usize) -> Paper {
        Paper { width, has_colour: false }
    }

    /// Text with ink.
    pub(crate) fn ink(&self, ink: Ink, text: &str) -> String {
        let code = match ink {
            Ink::Alarm => "1;31",
            Ink::Heading => "1",
            Ink::Faint => "2",
        };
        if self.has_colour { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }

    /// A heading of a section.
    pub(crate) fn heading(&self, text: &str) -> String {
        format!("\n{}", self.titled(text))
    }

    /// Lines that stand out.
    pub(crate) fn titled(&self, text: &str) -> String {
        self.inked(Ink::Heading, text)
    }

    /// A text in ink, a line at a time.
    pub(crate) fn inked(&self, ink: Ink, text: &str) -> String {
        wrapped(text, self.width).iter().map(|line| self.ink(ink, line) + "\n").collect()
    }

    /// A paragraph behind a label; the lines after the first are indented as deep, or a little where there is no room.
    pub(crate) fn labelled(&self, label: &str, text: &str) -> String {
        let indent = label.chars().count();
        if 2 * indent > self.width {
            let lines = wrapped(text, self.width.saturating_sub(LEAST_INDENT));
            let below = lines.iter().map(|line| format!("{:LEAST_INDENT$}{line}\n", ""));
            return format!("{}\n{}", label.trim_end(), below.collect::<String>());
        }
        let mut paragraph = String::new();
        for (place, line) in wrapped(text, self.width.saturating_sub(indent)).iter().enumerate() {
            if place == 0 {
                paragraph += label;
            } else {
                paragraph += &" ".repeat(indent);
            }
            paragraph += line;
            paragraph.push('\n');
        }
        paragraph
    }
}

/// Text of a file as a terminal may see it: no control character, and nothing that turns the order of what follows.
pub(crate) fn plain(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|c| if c.is_control() || turns(c) { '\u{fffd}' } else { c }).collect()
}

/// Text in lines of at most so many characters; a longer word has a line of its own.
pub(crate) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace().map(plain) {
        let needed = lines.last().map_or(0, |line| line.chars().count()) + 1 + word.chars().count();
        match lines.last_mut() {
            Some(line) if line.is_empty() => line.push_str(&word),
            Some(line) if needed <= width => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(word),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_no_longer_than_the_paper() {
        let text = Paper::plain(20).labelled("  Seen  ", "float at 12 % and not answering");
        assert_eq!(text, "  Seen  float at 12\n        % and not\n        answering\n");
    }

    #[test]
    fn a_label_that_takes_half_of_narrow_paper_stands_alone() {
        let text = Paper::plain(20).labelled("judging-jammed-low  ", "not found, one line");
        assert_eq!(text, "judging-jammed-low\n    not found, one\n    line\n");
    }

    #[test]
    fn no_control_character_of_a_file_reaches_the_terminal() {
        let name = "Ferrow\u{1b}[2J\u{7} Hill\u{202e}\u{9b}1m";
        for text in [Paper::plain(60).labelled("  ", name), Paper::plain(60).titled(name), plain(name)] {
            assert!(text.trim_end().chars().all(|c| !c.is_control() && c != '\u{202e}'), "{text:?}");
            assert!(text.contains("Ferrow") && text.contains("Hill"));
        }
    }
}
