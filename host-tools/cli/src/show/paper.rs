//! What is written on: its width, and whether it takes colour.

use std::io::IsTerminal;

/// Width where the terminal does not say.
const USUAL_WIDTH: usize = 80;

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
        // Source: the convention of no-color.org: set and not empty.
        let is_colour_refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        let width =
            if is_terminal { terminal_size::terminal_size().map(|(width, _)| usize::from(width.0)) } else { None };
        Paper { width: width.unwrap_or(USUAL_WIDTH).clamp(60, 160), has_colour: is_terminal && !is_colour_refused }
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
        format!("\n{}\n", self.ink(Ink::Heading, text))
    }

    /// A paragraph behind a label; the lines after the first are indented as deep.
    pub(crate) fn labelled(&self, label: &str, text: &str) -> String {
        let indent = label.chars().count();
        let lines = wrapped(text, self.width.saturating_sub(indent));
        let mut paragraph = String::new();
        for (place, line) in lines.iter().enumerate() {
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

/// Text in lines of at most so many characters; a longer word has a line of its own.
pub(crate) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let needed = lines.last().map_or(0, |line| line.chars().count()) + 1 + word.chars().count();
        match lines.last_mut() {
            Some(line) if line.is_empty() => line.push_str(word),
            Some(line) if needed <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
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
}
