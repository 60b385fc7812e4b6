//! One page for many speakers: a table, small pictures, and what has no plan.

use super::page;
use super::picture::without_controls;
use super::sketch;
use super::statement::grade_words;
use super::table::{Line, TERMS, TO_PAGE, deviation_words, labels, page_table};
use crate::predict::summary::{Entry, Summary};
use maud::{Markup, PreEscaped, html};
use std::path::Path;

/// What the page says about itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct About {
    /// Version of this program.
    pub version: String,
    /// The options as typed.
    pub command: String,
}

/// The page of `entries` in their order; each links to its `report.html` in a folder named as the
/// speaker's, beside the page.
pub fn html(entries: &[Entry], about: &About) -> String {
    let labels: Vec<String> = labels(entries)
        .iter()
        .map(|l| without_controls(l))
        .collect();
    let lines: Vec<Line> = (1..)
        .zip(entries)
        .zip(&labels)
        .filter_map(|((place, entry), label)| {
            Some(Line {
                place,
                label,
                link: Some(link(&entry.folder)),
                row: entry.outcome.as_ref().ok()?,
            })
        })
        .collect();
    let broken: Vec<(String, String)> = entries
        .iter()
        .filter_map(|entry| {
            let error = entry.outcome.as_ref().err()?;
            let folder = entry.folder.display().to_string();
            Some((without_controls(&folder), without_controls(error)))
        })
        .collect();
    let body = html! {
        header {
            p.kicker { "Equalization plans" }
            h1 { "Who takes EQ, and at what price" }
            @if let Some(Line { row, .. }) = lines.first() {
                p.setting {
                    (lines.len()) " speakers, target " bdi { (without_controls(&row.target)) }
                    ", device " bdi { (without_controls(&row.device)) }
                    @if !broken.is_empty() { "; " (broken.len()) " without a plan" }
                }
            }
            p.statement {
                "Speakers stand in the order of what their plan takes off the audible deviation from the target. That is no order of quality: a speaker that needs little EQ has little to take off."
            }
        }
        main {
            section {
                h2 { "The numbers" }
                div.wide tabindex="0" role="region" aria-label="The numbers" { (page_table(&lines)) }
                p.note { (TERMS) }
            }
            section {
                h2 { "The listening windows" }
                p.note { (sketch::READING) }
                ul.many {
                    @for line in &lines {
                        li {
                            a href=[&line.link] { (line.place) ". " bdi { (line.label) } }
                            (PreEscaped(sketch::svg(&shown(line.row))))
                            p { (grade_words(line.row.grade)) "; " (deviation_words(line.row, TO_PAGE)) " dB" }
                        }
                    }
                }
            }
            @if !broken.is_empty() {
                section {
                    h2 { "Without a plan" }
                    ul { @for (folder, error) in &broken { li { b { bdi { (folder) } } ": " bdi { (error) } } } }
                }
            }
            (how_to_repeat(about))
            (page::cautions())
        }
    };
    page::whole(
        "Who takes EQ, and at what price",
        &about.version,
        &[],
        &body,
    )
}

fn shown(row: &Summary) -> Summary {
    Summary {
        speaker: without_controls(&row.speaker),
        ..row.clone()
    }
}

/// Program and command.
pub fn how_to_repeat(about: &About) -> Markup {
    html! {
        section {
            h2 { "How to repeat this" }
            dl.provenance {
                dt { "Program" } dd { "planish " (about.version) }
                dt { "Command" } dd { code { bdi { (without_controls(&about.command)) } } }
            }
        }
    }
}

/// A relative link to the report in `folder`: every byte that has a meaning in a link is coded.
/// Source: RFC 3986, 2.1 and 2.3.
fn link(folder: &Path) -> String {
    let mut out = String::from("./");
    for part in folder.components() {
        for byte in part.as_os_str().as_encoded_bytes() {
            match byte {
                b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                    out.push(char::from(*byte));
                }
                _ => out += &format!("%{byte:02X}"),
            }
        }
        out.push('/');
    }
    out + "report.html"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_lead_to_the_report_whatever_the_folder_is_called() {
        assert_eq!(link(Path::new("")), "./report.html");
        assert_eq!(
            link(Path::new("shelf 1/a\"<b>#?é")),
            "./shelf%201/a%22%3Cb%3E%23%3F%C3%A9/report.html"
        );
    }
}
