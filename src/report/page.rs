//! Renders a document as a page that needs nothing but itself. A name stands in an element of its
//! own, so that its direction of writing does not spill over, and a number keeps its unit on its
//! line.

use super::document::Thumbnail;
use super::document::{Block, Cell, Column, Document, Item, Look, Medium, Row, Section, Table};
use super::palette::{self, Ink};
use super::picture::{Picture, Trace};
use super::sheet::{LEFT, Manner, UNITS_PER_DECADE, WIDTH};
use super::sketch;
use super::span::{Span, Text};
use super::words::finding;
use crate::curve::Grid;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// The page may use its own style and script and nothing from anywhere else.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Titles of more letters are set smaller.
const LONG_TITLE: usize = 60;

/// No-break space.
const BOUND: char = '\u{a0}';

/// The document as a page named `title`, made by `version` of this program.
pub fn render(document: &Document, title: &Text, version: &str) -> String {
    let pictures = pictures(document);
    let style = format!(
        ":root{{color-scheme:light;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{color-scheme:dark;{}}}}}\n{STYLE}{}",
        palette::declarations(false),
        palette::declarations(true),
        switch_rules(&pictures),
    );
    let heading = document.title.to_string();
    let mut number = 0;
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content={ "planish " (version) };
                title { (title.to_string()) }
                link rel="icon" href="data:,";
                style { (PreEscaped(style)) }
            }
            body {
                header {
                    p.kicker { (document.kicker) }
                    h1.long[heading.chars().count() > LONG_TITLE] { (words(&document.title)) }
                    @for warning in &document.warnings { p.statement { (words(warning)) } }
                    (blocks(&document.opening, &mut number))
                }
                main { @for part in &document.sections { (section(part, &mut number)) } }
                @if !pictures.is_empty() { script { (PreEscaped(SCRIPT)) } }
            }
        }
    };
    page.into_string()
}

/// The pictures in the order in which they stand.
fn pictures(document: &Document) -> Vec<&Picture> {
    let sections = std::iter::once(&document.opening).chain(&document.sections);
    sections
        .flat_map(|section| &section.blocks)
        .filter(|(on, _)| on.includes(Medium::Page))
        .filter_map(|(_, block)| match block {
            Block::Figure { picture, .. } => Some(picture),
            _ => None,
        })
        .collect()
}

/// A text with its names set apart and its units bound.
fn words(text: &Text) -> Markup {
    html! {
        @for span in text.spans() {
            @match span {
                Span::Plain(words) => (words),
                Span::Name(name) => bdi { (name.as_str()) },
                Span::Code(name) => code { bdi { (name.as_str()) } },
                Span::Quantity(quantity) => (quantity.with_unit(BOUND)),
            }
        }
    }
}

/// A section; nothing where the page shows nothing of it.
fn section(part: &Section, number: &mut usize) -> Markup {
    let shown = |(on, block): &(Medium, Block)| {
        on.includes(Medium::Page) && !matches!(block, Block::Table(t) if t.rows.is_empty())
    };
    if !part.blocks.iter().any(shown) {
        return html! {};
    }
    let headed = part.heading_on.includes(Medium::Page) && !part.heading.is_empty();
    html! {
        section {
            @if headed { h2 { (part.heading) } }
            (blocks(part, number))
        }
    }
}

fn blocks(part: &Section, number: &mut usize) -> Markup {
    html! {
        @for (on, block) in &part.blocks {
            @if on.includes(Medium::Page) { (self::block(block, number)) }
        }
    }
}

fn block(block: &Block, number: &mut usize) -> Markup {
    match block {
        Block::Paragraph(look, text) => {
            let class = match look {
                Look::Plain => None,
                Look::Statement => Some("statement"),
                Look::Note => Some("note"),
            };
            html! { p class=[class] { (words(text)) } }
        }
        Block::Line(text) => html! { p { (words(text)) } },
        Block::List {
            numbered: true,
            items,
        } => html! { ol { (points(items)) } },
        Block::List { items, .. } => html! { ul { (points(items)) } },
        Block::Table(table) => self::table(table),
        Block::Figure { picture, caption } => {
            *number += 1;
            figure(*number, picture, caption)
        }
        Block::KeyFigures(figures) => html! {
            dl.figures {
                @for [name, value, note] in figures {
                    div { dt { (words(name)) } dd { b { (words(value)) } span { (words(note)) } } }
                }
            }
        },
        Block::Facts(facts) => html! {
            dl.provenance { @for (name, value) in facts { dt { (name) } dd { (words(value)) } } }
        },
        Block::Details { summary, lines } => html! {
            details open {
                summary { (summary) }
                pre { @for line in lines { (words(line)) "\n" } }
            }
        },
        Block::Folded { summary, table } => html! {
            details.folded {
                summary { (words(summary)) }
                (self::table(table))
            }
        },
        Block::Thumbnails(thumbnails) => html! {
            ul.many { @for one in thumbnails { li { (thumbnail(one)) } } }
        },
    }
}

fn points(items: &[Item]) -> Markup {
    html! {
        @for item in items {
            li {
                (words(&item.text))
                @if !item.under.is_empty() { ul { @for line in &item.under { li { (words(line)) } } } }
            }
        }
    }
}

fn thumbnail(shown: &Thumbnail) -> Markup {
    html! {
        @match &shown.link {
            Some(link) => a href=(link) { (words(&shown.label)) },
            None => (words(&shown.label)),
        }
        (PreEscaped(sketch::svg(&shown.sketch, &shown.words.to_string())))
        p { (words(&shown.caption)) }
    }
}

/// A table; with reasons below its rows each row is a body of its own.
fn table(table: &Table) -> Markup {
    let shown: Vec<(usize, &Column)> = table
        .columns
        .iter()
        .enumerate()
        .filter(|(_, column)| column.on.includes(Medium::Page))
        .collect();
    let class = (!table.look.is_empty()).then_some(table.look);
    html! {
        div.wide tabindex="0" role="region" aria-label=(table.label) {
            table class=[class] {
                thead { tr { @for (_, column) in &shown { (head(column)) } } }
                @if table.rows.iter().any(|row| row.reason.is_some()) {
                    @for row in &table.rows {
                        tbody {
                            (line(row, &shown))
                            @if let Some(reason) = &row.reason {
                                tr.reason { td colspan=(shown.len()) { div { (words(reason)) } } }
                            }
                        }
                    }
                } @else {
                    tbody { @for row in &table.rows { (line(row, &shown)) } }
                }
            }
        }
    }
}

fn head(column: &Column) -> Markup {
    let class = column.words.then_some("word");
    html! {
        th scope="col" class=[class] {
            (column.heading)
            @if !column.unit.is_empty() { ", " (column.unit) }
        }
    }
}

fn line(row: &Row, shown: &[(usize, &Column)]) -> Markup {
    let cells = shown
        .iter()
        .filter_map(|(place, column)| Some((*column, row.cells.get(*place)?)));
    html! {
        tr.kept[row.chosen] {
            @for (place, (column, cell)) in cells.enumerate() {
                @let class = match (column.words, cell.bar) {
                    (_, Some(_)) => Some("bar"),
                    (true, None) => Some("word"),
                    (false, None) => None,
                };
                @if place == 0 { th scope="row" class=[class] { (content(cell)) } }
                @else { td class=[class] { (content(cell)) } }
            }
        }
    }
}

fn content(cell: &Cell) -> Markup {
    html! {
        @if let Some(decision) = cell.decision {
            span.mark data-share=(decision.name()) style={ "--mark:" (Ink::of(decision).variable()) } {}
        }
        @if let Some(sure) = cell.sure {
            span.sure data-sure=(finding::sure_word(sure)) {}
        }
        @if let Some(share) = cell.bar {
            span.length style={ "width:" (format!("{:.1}", 100.0 * share)) "%" } {}
        }
        @match (&cell.link, cell.bar) {
            (Some(link), _) => a href=(link) { (words(&cell.text)) },
            (None, Some(_)) => @if !cell.text.is_empty() { span.here { (words(&cell.text)) } },
            (None, None) => (words(&cell.text)),
        }
    }
}

/// A picture with its switches, caption, numbers and what the script reads out; it is the
/// `number`th of its page.
fn figure(number: usize, picture: &Picture, caption: &Text) -> Markup {
    let id = identifier(number);
    // Where the script finds a frequency: left end, a decade's width and all of it.
    let axis = format!("{LEFT} {UNITS_PER_DECADE} {WIDTH}");
    html! {
        figure id=(id) data-key=(picture.key) data-axis=(axis) {
            @if picture.switchable { (legend(&id, picture)) }
            div.stage { (PreEscaped(picture.inline(&id))) }
            output.readout aria-live="polite" {}
            figcaption { (words(caption)) }
        }
        (numbers(picture))
        script type="application/json" data-for=(id) { (PreEscaped(readings(picture))) }
    }
}

/// Switches for the curves. They are plain check boxes; the style sheet hides what is off.
fn legend(id: &str, picture: &Picture) -> Markup {
    html! {
        fieldset.legend {
            legend { "Curves shown" }
            @for trace in &picture.traces {
                @let switch = format!("{id}-trace-{}", trace.code);
                label {
                    input type="checkbox" checked id=(switch);
                    (PreEscaped(swatch(trace)))
                    span { (words(&trace.name)) }
                }
            }
        }
    }
}

/// The rules by which a switch that is off hides its curve, for all pictures of the page.
fn switch_rules(pictures: &[&Picture]) -> String {
    (1..)
        .zip(pictures)
        .filter(|(_, picture)| picture.switchable)
        .flat_map(|(number, picture)| picture.traces.iter().map(move |trace| (number, trace.code)))
        .map(|(number, code)| {
            let id = identifier(number);
            format!("#{id}:has(#{id}-trace-{code}:not(:checked)) [data-trace=\"{code}\"]{{display:none}}\n")
        })
        .collect()
}

/// Identifier of a picture on the page, counted from 1.
fn identifier(number: usize) -> String {
    format!("picture-{number}")
}

/// A short piece of a curve's line.
fn swatch(trace: &Trace) -> String {
    let dashes = match trace.manner {
        Manner::Plain => "",
        Manner::Dashed => " stroke-dasharray=\"7 5\"",
        Manner::Dotted => " stroke-dasharray=\"2 3\"",
    };
    format!(
        "<svg class=\"swatch\" viewBox=\"0 0 32 10\" width=\"32\" height=\"10\" aria-hidden=\"true\"><path d=\"M1 5H31\" fill=\"none\" stroke=\"{}\" stroke-width=\"{:.2}\"{dashes}/></svg>",
        trace.ink.variable(),
        // A quarter of a pixel to the unit, as in the picture.
        f64::from(trace.width) / 4.0
    )
}

/// Every third octave: base-ten exact centres. Source: IEC 61260-1, 5.2 (from memory).
fn third_octaves(grid: &Grid) -> Vec<usize> {
    let mut places: Vec<usize> = (-17..=13)
        .map(|k| 1000.0 * 10f64.powf(f64::from(k) / 10.0))
        .filter(|f| *f > 0.99 * grid.first_hz() && *f < 1.01 * grid.last_hz())
        .map(|f| grid.nearest(f))
        .collect();
    places.dedup();
    places
}

/// The numbers of a picture as a table.
fn numbers(picture: &Picture) -> Markup {
    let Some(grid) = Grid::new(picture.freqs_hz.clone()) else {
        return html! {};
    };
    // Of the angles every third, the axis among them, or the table is wider than any page.
    let traces: Vec<&Trace> = if picture.switchable {
        picture.traces.iter().collect()
    } else {
        picture
            .traces
            .iter()
            .filter(|t| is_shown_angle(&t.name.to_string()))
            .collect()
    };
    html! {
        details.numbers {
            summary { "The numbers of this picture" }
            div.wide tabindex="0" role="region" aria-label={ "Numbers of picture: " (picture.title) } {
                table {
                    caption { "dB at the frequency of the grid nearest to each third octave." }
                    thead { tr {
                        th scope="col" { "Hz" }
                        @for trace in &traces { th scope="col" { (words(&trace.name)) } }
                    } }
                    tbody {
                        @for place in third_octaves(&grid) {
                            tr {
                                th scope="row" { (format!("{:.0}", picture.freqs_hz[place])) }
                                @for trace in &traces { td { (signed(trace.values[place])) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn is_shown_angle(name: &str) -> bool {
    name.rsplit(' ')
        .next()
        .and_then(|angle| angle.parse::<f64>().ok())
        .is_some_and(|angle_deg| (angle_deg / 30.0 - (angle_deg / 30.0).round()).abs() < 1e-6)
}

fn signed(value: f64) -> String {
    format!("{value:.1}")
}

/// What the script reads out: frequencies and values, to 0.1 Hz and 0.01 dB.
fn readings(picture: &Picture) -> String {
    // The map is read out at every sixth frequency (8 an octave), curves at every second (24).
    let every = if picture.switchable { 2 } else { 6 };
    let list = |values: &[f64], digits: usize| {
        let texts: Vec<String> = values
            .iter()
            .step_by(every)
            .map(|v| format!("{v:.digits$}"))
            .collect();
        texts.join(",")
    };
    let traces: Vec<String> = picture
        .traces
        .iter()
        .map(|trace| {
            let name = serde_json::Value::from(trace.name.to_string()).to_string();
            format!(
                "{{\"code\":{},\"name\":{},\"values\":[{}]}}",
                trace.code,
                // Nothing in a name may end the script it stands in.
                name.replace('<', "\\u003c"),
                list(&trace.values, if picture.switchable { 2 } else { 1 })
            )
        })
        .collect();
    format!(
        "{{\"hz\":[{}],\"traces\":[{}]}}",
        list(&picture.freqs_hz, 1),
        traces.join(",")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Decision;
    use crate::report::document::row;
    use crate::report::span::{Quantity, code, db, hz, name, text};
    use crate::report::terminal::{self, COLUMNS, Paint};
    use unicode_width::UnicodeWidthStr;

    const HOSTILE: &str = "\u{1b}[31m\u{202e}\u{2066}x\n<script>alert(1)</script>\u{9b}\u{2028}y";

    /// Every kind of block, with the name of a speaker wherever a name may stand.
    fn document(called: &str) -> Document {
        let names = || name(called);
        let table = Table {
            label: "Rows",
            look: "",
            columns: vec![
                Column::numbers("No.", ""),
                Column::words("name"),
                Column::numbers("level", "dB"),
                Column::words("decision"),
                Column::words("on the page").only(Medium::Page),
                Column::numbers("on the terminal", "").only(Medium::Terminal),
            ],
            rows: (1usize..4)
                .map(|place| {
                    let decision = Cell {
                        decision: Some(Decision::Soften),
                        link: Some("./a".into()),
                        ..text!("{} corrected", names()).into()
                    };
                    Row {
                        reason: Some(text!("{} of {}.", db(-3.0, 1), names())),
                        chosen: place == 2,
                        ..row![place, names(), None::<Quantity>, decision, "page", 7usize]
                    }
                })
                .collect(),
        };
        Document {
            kicker: "Kicker",
            title: names().into(),
            warnings: vec![text!("Note: {} at {}.", names(), hz(1210.0))],
            opening: Section::default()
                .statement(text!("{} loses {}.", names(), db(-2.5, 1)))
                .with(Block::KeyFigures(vec![[
                    "a".into(),
                    names().into(),
                    "b".into(),
                ]])),
            sections: vec![
                Section::new("Heading").paragraph(names()).list([Item {
                    text: names().into(),
                    under: vec![names().into()],
                }]),
                Section::unheaded("On the page")
                    .table(table)
                    .note(code(called)),
                Section::default()
                    .with(Block::Facts(vec![("Fact", names().into())]))
                    .with(Block::Details {
                        summary: "Lines",
                        lines: vec![names().into()],
                    })
                    .with(Block::List {
                        numbered: true,
                        items: vec![names().into()],
                    }),
            ],
            ..Document::default()
        }
    }

    fn on_page(called: &str) -> String {
        render(&document(called), &name(called).into(), "1.2.3")
    }

    /// The words of the cells of a page, row by row.
    fn cells_of(page: &str) -> Vec<String> {
        let stripped = |html: &str| -> String {
            html.split('<')
                .map(|part| part.split_once('>').map_or(part, |p| p.1))
                .collect()
        };
        let body = page
            .split("<thead>")
            .nth(1)
            .unwrap()
            .split("</table>")
            .next()
            .unwrap();
        body.split("<tr")
            .skip(1)
            .filter(|row| !row.contains("colspan"))
            .map(|row| {
                stripped(
                    row.split_once('>')
                        .unwrap()
                        .1
                        .replace("</t", " </t")
                        .as_str(),
                )
            })
            .map(|row| row.split_whitespace().collect::<Vec<_>>().join(" "))
            .collect()
    }

    #[test]
    fn a_table_described_once_holds_the_same_cells_in_both_media() {
        let called = "Harbour 6";
        let page: Vec<String> = cells_of(&on_page(called));
        let terminal = terminal::render(&document(called), Paint::Plain);
        let lines: Vec<String> = terminal
            .lines()
            .map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "))
            .collect();
        assert_eq!(page.len(), 4);
        for (place, row) in page.iter().enumerate().skip(1) {
            let shared = row.strip_suffix(" page").unwrap();
            assert_eq!(shared, format!("{place} Harbour 6 - Harbour 6 corrected"));
            let of_line = format!("{shared} 7");
            assert!(
                lines
                    .iter()
                    .any(|line| line.trim_end_matches(" <-") == of_line),
                "{terminal}"
            );
        }
        assert_eq!(page[0], "No. name level, dB decision on the page");
        assert!(lines.contains(&"No. name level dB decision on the terminal".to_string()));
    }

    #[test]
    fn a_hostile_name_is_harmless_wherever_it_stands() {
        let (plain, hostile) = (on_page("x"), on_page(HOSTILE));
        for mark in ["<script", "</script", "<b>", "<bdi>", "<tr", "<li>"] {
            assert_eq!(
                hostile.matches(mark).count(),
                plain.matches(mark).count(),
                "{mark}"
            );
        }
        let terminal = terminal::render(&document(HOSTILE), Paint::Plain);
        for text in [&hostile, &terminal] {
            let steers = |c: char| {
                (c.is_control() && c != '\n')
                    || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}')
            };
            assert!(!text.contains(steers), "{text}");
            assert!(!text.contains("x\n<script>") && !text.contains("x\n&lt;"));
        }
        // Every name of the page stands in an element of its own.
        let shown = "x &lt;script&gt;";
        let apart = hostile.matches("<bdi>").count();
        assert!(apart > 10);
        // The title of the window and the heading's own letters hold no elements.
        assert_eq!(hostile.matches(shown).count(), apart + 1);
    }

    #[test]
    fn no_line_is_wider_than_the_terminal_whatever_the_names() {
        let wide = "\u{1f50a}".repeat(90);
        let words = "wort ".repeat(60);
        for called in ["", "Quayside 5", &"Lang".repeat(75), &wide, &words, HOSTILE] {
            let text = terminal::render(&document(called), Paint::Plain);
            for line in text.lines() {
                assert!(line.width() <= COLUMNS, "{line}");
            }
        }
    }

    #[test]
    fn colours_only_add_to_the_letters() {
        let plain = terminal::render(&document("Harbour 6"), Paint::Plain);
        let coloured = terminal::render(&document("Harbour 6"), Paint::Coloured);
        let bare: String = coloured
            .split('\u{1b}')
            .enumerate()
            .map(|(i, part)| {
                if i == 0 {
                    part
                } else {
                    part.split_once('m').unwrap().1
                }
            })
            .collect();
        assert_ne!(coloured, plain);
        assert_eq!(bare, plain);
    }

    #[test]
    fn a_number_never_parts_from_its_unit_on_the_page() {
        let page = on_page("Harbour 6");
        assert_eq!(page.matches("-2.5\u{a0}dB").count(), 1);
        assert_eq!(page.matches("-3.0\u{a0}dB").count(), 3);
        assert_eq!(page.matches("1.21\u{a0}kHz").count(), 1);
        assert!(!page.contains("5 dB") && !page.contains("1 kHz"));
    }
}
