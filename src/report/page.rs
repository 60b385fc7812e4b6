//! What all pages share: the frame that needs nothing but itself, pictures with their switches,
//! numbers and readings, and the cautions.

use super::palette;
use super::picture::{Picture, Trace};
use super::sheet::{LEFT, Manner, UNITS_PER_DECADE, WIDTH};
use super::statement::CAUTIONS;
use crate::curve::Grid;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// The page may use its own style and script and nothing from anywhere else.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// A page of its own: `body` with everything it needs, `pictures` being those that stand in it.
pub fn whole(title: &str, version: &str, pictures: &[Picture], body: &Markup) -> String {
    let style = format!(
        ":root{{color-scheme:light;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{color-scheme:dark;{}}}}}\n{STYLE}{}",
        palette::declarations(false),
        palette::declarations(true),
        switch_rules(pictures),
    );
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content={ "planish " (version) };
                title { (title) }
                link rel="icon" href="data:,";
                style { (PreEscaped(style)) }
            }
            body {
                (body)
                @if !pictures.is_empty() { script { (PreEscaped(SCRIPT)) } }
            }
        }
    };
    page.into_string()
}

/// A picture with its heading, switches, caption, numbers and what the script reads out; it is
/// the `number`th of its page.
pub fn figure(number: usize, picture: &Picture, caption: &Markup) -> Markup {
    let id = identifier(number);
    // Where the script finds a frequency: left end, a decade's width and all of it.
    let axis = format!("{LEFT} {UNITS_PER_DECADE} {WIDTH}");
    html! {
        section {
            h2 id={ (id) "-heading" } { (picture.title) }
            figure id=(id) data-key=(picture.key) data-axis=(axis) {
                @if picture.switchable { (legend(&id, picture)) }
                div.stage { (PreEscaped(picture.inline(&id))) }
                output.readout aria-live="polite" {}
                figcaption { (caption) }
            }
            (numbers(picture))
            script type="application/json" data-for=(id) { (PreEscaped(readings(picture))) }
        }
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
                    span { (trace.name) }
                }
            }
        }
    }
}

/// The rules by which a switch that is off hides its curve, for all pictures of the page.
fn switch_rules(pictures: &[Picture]) -> String {
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
            .filter(|t| is_shown_angle(&t.name))
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
                        @for trace in &traces { th scope="col" { (trace.name) } }
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
            let name = serde_json::Value::from(trace.name.as_str()).to_string();
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

/// The usual cautions.
pub fn cautions() -> Markup {
    html! {
        section.cautions {
            h2 { "Cautions" }
            ul { @for caution in CAUTIONS { li { (caution) } } }
        }
    }
}
