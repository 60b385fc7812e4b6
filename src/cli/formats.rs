//! Manual pages of the file formats, made from the documents that stand beside their examples.

use pulldown_cmark::{Event, HeadingLevel, Options, Parser, Tag, TagEnd};
use roff::{Inline, Roff, bold, roman};

/// A format: name of its page and the document.
const FORMATS: [(&str, &str); 4] = [
    (
        "planish-speaker-folder",
        include_str!("../../examples/speaker_folder/README.md"),
    ),
    (
        "planish-device",
        include_str!("../../targets/devices/README.md"),
    ),
    (
        "planish-target",
        include_str!("../../targets/curves/README.md"),
    ),
    (
        "planish-filter-list",
        include_str!("../../examples/filter_list/README.md"),
    ),
];

/// Every page in the format of the manual reader (roff): file name in section 5, and content.
pub(super) fn pages() -> impl Iterator<Item = (String, Vec<u8>)> {
    FORMATS
        .iter()
        .map(|(name, document)| (format!("{name}.5"), page(name, document).into_bytes()))
}

fn page(name: &str, document: &str) -> String {
    let version = concat!("planish ", env!("CARGO_PKG_VERSION"));
    let mut roff = Roff::new();
    roff.control("TH", [name, "5", "", version]);
    let mut page = Page {
        roff,
        line: Vec::new(),
        strong: 0,
        first_cell: false,
    };
    for event in Parser::new_ext(document, Options::ENABLE_TABLES) {
        page.take(event);
    }
    page.roff.render()
}

/// A page on its way from one format to the other.
struct Page {
    roff: Roff,
    /// What stands on the current line.
    line: Vec<Inline>,
    /// How many emphases hold it.
    strong: usize,
    /// Whether the next cell is the first of its row.
    first_cell: bool,
}

impl Page {
    fn take(&mut self, event: Event) {
        match event {
            Event::Start(Tag::Heading { level, .. }) => {
                self.flush();
                let macro_name = match level {
                    HeadingLevel::H1 | HeadingLevel::H2 => "SH",
                    _ => "SS",
                };
                self.roff.control(macro_name, []);
            }
            Event::Start(Tag::Paragraph) => {
                self.roff.control("PP", []);
            }
            Event::Start(Tag::Item) => {
                self.flush();
                self.roff.control("IP", ["\u{2022}", "2"]);
            }
            Event::Start(Tag::CodeBlock(_)) => {
                self.roff.control("PP", []).control("EX", []);
            }
            Event::Start(Tag::TableHead | Tag::TableRow) => {
                self.roff.control("TP", []);
                self.first_cell = true;
            }
            Event::End(TagEnd::TableCell) => {
                // The first cell is the term, what follows explains it.
                match std::mem::take(&mut self.first_cell) {
                    true => self.flush(),
                    false => self.line.push(roman(" ")),
                }
            }
            Event::End(TagEnd::CodeBlock) => {
                self.flush();
                self.roff.control("EE", []);
            }
            Event::End(
                TagEnd::Heading(_)
                | TagEnd::Paragraph
                | TagEnd::Item
                | TagEnd::TableHead
                | TagEnd::TableRow,
            ) => self.flush(),
            Event::Start(Tag::Strong | Tag::Emphasis) => self.strong += 1,
            Event::End(TagEnd::Strong | TagEnd::Emphasis) => self.strong -= 1,
            Event::Text(text) if self.strong > 0 => self.line.push(bold(text.as_ref())),
            Event::Text(text) => self.line.push(roman(text.as_ref())),
            Event::Code(code) => self.line.push(bold(code.as_ref())),
            Event::SoftBreak | Event::HardBreak => self.line.push(roman(" ")),
            _ => {}
        }
    }

    fn flush(&mut self) {
        if !self.line.is_empty() {
            self.roff.text(std::mem::take(&mut self.line));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_and_number_of_a_document_stands_on_its_page() {
        for (name, document) in FORMATS {
            let page = page(name, document);
            let plain = page.replace(['\\', '\n'], " ");
            let has = |word: &str| plain.contains(word);
            let words = document.split(|c: char| !(c.is_alphanumeric() || c == '_'));
            let long: Vec<&str> = words.filter(|word| word.len() > 3).collect();
            // Addresses of links and the language of a block are no text.
            let lost = long.iter().filter(|word| !has(word)).count();
            assert!(long.len() > 50 && lost * 50 < long.len(), "{name}: {lost}");
        }
    }

    #[test]
    fn a_table_becomes_terms_and_what_they_mean() {
        let page = page("t", "| key | meaning |\n| --- | --- |\n| `a` | first |\n");
        assert!(page.contains(".TP\n\\fBa\\fR\nfirst"), "{page}");
    }
}
