//! Many plans as one table, for the terminal and for pages, and the words that tell them apart.

use super::statement::percent;
use super::text::{COLUMNS, for_terminal, wrapped};
use crate::audit::spoken_hz;
use crate::predict::summary::{Entry, LeftAlone, Summary};
use maud::{Markup, html};
use std::collections::HashSet;
use std::fmt::Write;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Width of the names, which leaves the numbers within 80 columns.
const NAME_COLUMNS: usize = 22;

/// What tells each row from the others: of speaker, target and device those that differ, the
/// speaker where none does; the folder as well where that is not enough. Entries without a row go
/// by their folder.
pub fn labels(entries: &[Entry]) -> Vec<String> {
    let rows: Vec<&Summary> = entries
        .iter()
        .filter_map(|entry| entry.outcome.as_ref().ok())
        .collect();
    let differs = |part: fn(&Summary) -> &str| {
        let seen: HashSet<&str> = rows.iter().map(|row| part(row)).collect();
        seen.len() > 1
    };
    let parts: [fn(&Summary) -> &str; 3] = [|r| &r.speaker, |r| &r.target, |r| &r.device];
    let mut telling: Vec<fn(&Summary) -> &str> =
        parts.into_iter().filter(|part| differs(*part)).collect();
    if telling.is_empty() {
        telling.push(parts[0]);
    }
    let label = |row: &Summary| {
        let words: Vec<&str> = telling.iter().map(|part| part(row)).collect();
        words.join(", ")
    };
    let mut seen = HashSet::new();
    let repeated: HashSet<String> = rows
        .iter()
        .map(|row| label(row))
        .filter(|label| !seen.insert(label.clone()))
        .collect();
    entries
        .iter()
        .map(|entry| {
            let folder = entry.folder.display();
            match entry.outcome.as_ref().map(label) {
                Ok(label) if repeated.contains(&label) => format!("{label} ({folder})"),
                Ok(label) => label,
                Err(_) => folder.to_string(),
            }
        })
        .collect()
}

/// The rows in their order with their numbers, then what has no plan, each with its error.
pub fn text(entries: &[Entry]) -> String {
    let mut out = format!(
        "{:>4} {:NAME_COLUMNS$} {:>11} {:>5} {:>5} {:>5} {:>10} {:>6} {:>4}\n",
        "", "", "dB rms", "reach", "yield", "price", "rating", "stages", "left"
    );
    for ((place, entry), label) in (1..).zip(entries).zip(labels(entries)) {
        let Ok(row) = &entry.outcome else { continue };
        let _ = writeln!(
            out,
            "{place:>4} {} {:>11} {:>5} {:>5} {:>5} {:>10} {:>6} {:>4}",
            fitted(&for_terminal(&label)),
            deviation_words(row, TO_TERMINAL),
            percent(row.reach),
            percent(row.yield_share),
            format!("{:.1}", row.price_db),
            rating_words(row, TO_TERMINAL),
            row.stages,
            row.left.len(),
        );
    }
    out.push('\n');
    out += &wrapped(
        "dB rms: audible deviation from the target, before and after. Price: dB of headroom. Rating: Olive 2004, before and after. Left: findings that are not corrected in full.",
        0,
    );
    let mut broken = entries
        .iter()
        .filter_map(|entry| Some((&entry.folder, entry.outcome.as_ref().err()?)))
        .peekable();
    if broken.peek().is_some() {
        out += "\nWithout a plan:\n";
    }
    for (folder, error) in broken {
        out += &wrapped(&for_terminal(&format!("{}: {error}", folder.display())), 2);
    }
    out
}

/// What stands between the numbers of before and after on a terminal, which may lack arrows.
const TO_TERMINAL: &str = ">";
/// The same on a page.
pub(super) const TO_PAGE: &str = "\u{2192}";

/// The audible deviation before and after.
pub(super) fn deviation_words(row: &Summary, to: &str) -> String {
    let (before_db, after_db) = (row.deviation_before_db, row.deviation_after_db);
    format!("{before_db:.1} {to} {after_db:.1}")
}

/// The rating before and after, a dash where there is none.
fn rating_words(row: &Summary, to: &str) -> String {
    match (row.rating_before, row.rating_after) {
        (Some(before), Some(after)) => format!("{before:.1} {to} {after:.1}"),
        _ => "-".into(),
    }
}

/// One line of a page's table.
pub(super) struct Line<'a> {
    /// From 1.
    pub(super) place: usize,
    /// What tells it from the others, without control characters.
    pub(super) label: &'a str,
    /// Where its report lies.
    pub(super) link: Option<String>,
    /// Its numbers.
    pub(super) row: &'a Summary,
}

/// What the columns of a page's table mean.
pub(super) const TERMS: &str = "Deviation: audible deviation from the target, dB rms, before and after. Reach: share of its energy that an ideal EQ may remove; yield: that these filters remove. Price: headroom, dB. Rating: Olive 2004, before and after, with the limits that each report states. Left alone: findings that are not corrected in full, the largest first.";

/// The lines as a table of a page.
pub(super) fn page_table(lines: &[Line]) -> Markup {
    html! {
        table.places {
            thead { tr {
                th scope="col" { "No." }
                th.word scope="col" { "plan" }
                th scope="col" { "deviation, dB" }
                th scope="col" { "reach" }
                th scope="col" { "yield" }
                th scope="col" { "price, dB" }
                th scope="col" { "rating" }
                th scope="col" { "stages" }
                th.word scope="col" { "left alone" }
            } }
            tbody {
                @for Line { place, label, link, row } in lines {
                    tr {
                        th scope="row" { (place) }
                        td.word {
                            @if let Some(link) = link { a href=(link) { bdi { (label) } } }
                            @else { bdi { (label) } }
                        }
                        td { (deviation_words(row, TO_PAGE)) }
                        td { (percent(row.reach)) }
                        td { (percent(row.yield_share)) }
                        td { (format!("{:.1}", row.price_db)) }
                        td { (rating_words(row, TO_PAGE)) }
                        td { (row.stages) }
                        td.word.left { (left_words(&row.left)) }
                    }
                }
            }
        }
    }
}

/// So many of what was left alone are named; the others are counted.
const NAMED_AT_MOST: usize = 2;

/// The largest of what was left alone, a dash where nothing was.
fn left_words(left: &[LeftAlone]) -> String {
    let mut left: Vec<&LeftAlone> = left.iter().collect();
    left.sort_by(|a, b| b.size_db.abs().total_cmp(&a.size_db.abs()));
    let mut words: Vec<String> = left
        .iter()
        .take(NAMED_AT_MOST)
        .map(|one| {
            let place = spoken_hz(one.peak_hz);
            format!("{place} ({:+.1} dB, {})", one.size_db, one.cause)
        })
        .collect();
    if left.len() > NAMED_AT_MOST {
        words.push(format!("{} more", left.len() - NAMED_AT_MOST));
    }
    if words.is_empty() {
        words.push("-".into());
    }
    words.join(", ")
}

/// `text` in exactly [`NAME_COLUMNS`]: filled with blanks, or cut with dots.
fn fitted(text: &str) -> String {
    const DOTS: &str = "...";
    let mut kept = String::new();
    if text.width() <= NAME_COLUMNS {
        kept.push_str(text);
    } else {
        for letter in text.chars() {
            if kept.width() + letter.width().unwrap_or(0) + DOTS.len() > NAME_COLUMNS {
                break;
            }
            kept.push(letter);
        }
        kept += DOTS;
    }
    let missing = NAME_COLUMNS.saturating_sub(kept.width());
    kept + &" ".repeat(missing)
}

// The widths of the columns above, with a blank before each but the first.
const _: () = assert!(4 + 1 + NAME_COLUMNS + 12 + 6 + 6 + 6 + 11 + 7 + 5 <= COLUMNS);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_take_their_columns_whatever_they_hold() {
        for name in ["", "Quayside 5", &"x".repeat(300), &"\u{1f50a}".repeat(30)] {
            assert_eq!(fitted(name).width(), NAME_COLUMNS, "{name}");
        }
        assert!(fitted(&"x".repeat(300)).ends_with("x..."));
    }
}
