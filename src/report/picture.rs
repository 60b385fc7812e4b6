//! A picture: what it shows, in words and numbers too.

use super::palette::Ink;
use super::sheet::{Colours, LEFT, Manner, WIDTH, WORD_SIZE, inked};
use super::span::Text;
use std::fmt::Write;

/// One curve of a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Number by which its marks are known in the picture, from 1.
    pub code: u8,
    /// What it is, in a few words.
    pub name: Text,
    /// Its colour.
    pub ink: Ink,
    /// Its line.
    pub manner: Manner,
    /// Width of its line in units of the drawing.
    pub width: u32,
    /// Its values at the picture's frequencies, in the picture's unit.
    pub values: Vec<f64>,
}

/// A picture, its words and its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Short name, for files and identifiers: ASCII letters only.
    pub key: &'static str,
    /// What it shows, in a few words.
    pub title: &'static str,
    /// What is to be seen in it, for readers who cannot see it.
    pub description: Text,
    /// How to read its axes, one sentence.
    pub scale: Text,
    /// What the numbers in it are, one short sentence; empty where there are none to explain.
    pub numbers: Text,
    /// Height in units of the drawing.
    pub height: i32,
    /// The marks, colours in code.
    pub marks: String,
    /// Frequencies of all values, Hz.
    pub freqs_hz: Vec<f64>,
    /// The curves, or one row for each angle.
    pub traces: Vec<Trace>,
    /// True where every trace is a curve that can be taken out of the picture.
    pub switchable: bool,
}

impl Picture {
    /// The picture as part of a page; `id` keeps its identifiers apart from all others there.
    pub fn inline(&self, id: &str) -> String {
        format!(
            "<svg class=\"picture\" viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" stroke-linejoin=\"round\">\n<title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-desc\">{}</desc>\n{}</svg>\n",
            self.height,
            escaped(self.title),
            escaped(&self.description.to_string()),
            inked(&self.marks, Colours::OfThePage),
        )
    }

    /// The picture as a file of its own, on light paper, headed by `heading` and signed by
    /// `source`.
    pub fn alone(&self, heading: &Text, source: &Text) -> String {
        let (heading, source) = (heading.to_string(), source.to_string());
        let numbers = self.numbers.to_string();
        let line_height = 75;
        let (above, mut below) = (330, 290);
        if !numbers.is_empty() {
            below += line_height;
        }
        let height = self.height + above + below;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 -{above} {WIDTH} {height}\" role=\"img\" aria-labelledby=\"title desc\" stroke-linejoin=\"round\" font-family=\"sans-serif\">\n",
            WIDTH / 4,
            height / 4,
        );
        let _ = writeln!(
            out,
            "<title id=\"title\">{}: {}</title>\n<desc id=\"desc\">{}</desc>",
            escaped(&heading),
            escaped(self.title),
            escaped(&self.description.to_string())
        );
        let paper = Ink::Paper.on_light();
        let _ = writeln!(
            out,
            "<style>text{{paint-order:stroke;stroke:{paper};stroke-width:16px}}</style>\n<rect x=\"0\" y=\"-{above}\" width=\"{WIDTH}\" height=\"{height}\" fill=\"{paper}\"/>"
        );
        let mut line = |text: &str, y: i32, size: f64, ink: Ink| {
            let _ = writeln!(
                out,
                "<text x=\"{LEFT}\" y=\"{y}\" font-size=\"{size}\" fill=\"{}\">{}</text>",
                ink.on_light(),
                escaped(text)
            );
        };
        line(
            &shortened(&heading, HEADING_LETTERS),
            -200,
            2.0 * WORD_SIZE,
            Ink::Words,
        );
        line(self.title, -90, 1.25 * WORD_SIZE, Ink::Quiet);
        let scale = self.scale.to_string();
        let source = shortened(&source, SOURCE_LETTERS);
        let last = [numbers, scale, source];
        let mut y = self.height + 70;
        for text in last.iter().filter(|text| !text.is_empty()) {
            line(text, y, WORD_SIZE, Ink::Quiet);
            y += line_height;
        }
        out + &inked(&self.marks, Colours::OnLight) + "</svg>\n"
    }
}

/// So many letters of the heading fit the width at twice the usual size, wide ones too.
const HEADING_LETTERS: usize = 44;
/// So many letters of the source line fit the width.
const SOURCE_LETTERS: usize = 120;

/// `text` with at most so many letters, the end cut off where it is longer.
fn shortened(text: &str, letters: usize) -> String {
    if text.chars().count() <= letters {
        return text.to_string();
    }
    let kept: String = text.chars().take(letters - 3).collect();
    kept + "..."
}

/// `text` as XML and HTML show it, in content and in attributes.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            _ => out.push(letter),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_xml_could_take_for_markup_is_left() {
        assert_eq!(
            escaped("<script>\"it's\" & \u{202e}x"),
            "&lt;script&gt;&quot;it&#39;s&quot; &amp; \u{202e}x"
        );
    }

    #[test]
    fn long_headings_end_in_dots_and_short_ones_stay() {
        assert_eq!(shortened("abc", 3), "abc");
        assert_eq!(
            shortened(&"ä".repeat(50), 10),
            format!("{}...", "ä".repeat(7))
        );
    }
}
