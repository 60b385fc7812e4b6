//! The report: one page that needs nothing but itself.

use super::palette;
use super::picture::{self, Picture, Trace, showable};
use super::sections::{self, isolated};
use super::sheet::{LEFT, Manner, UNITS_PER_DECADE, WIDTH};
use super::statement::{CAUTIONS, percent, statement};
use crate::audit::spoken_hz;
use crate::curve::Grid;
use crate::error::Result;
use crate::predict::Plan;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Where the numbers come from, so that the plan can be repeated.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Provenance {
    /// Version of this program.
    pub version: String,
    /// The options as typed.
    pub command: String,
    /// Input files, each with its hash.
    pub inputs: Vec<(String, String)>,
    /// What was understood of the measurement.
    pub understood: String,
}

/// The page may use its own style and script and nothing from anywhere else.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// The report as one file.
///
/// # Errors
/// When a picture cannot be drawn.
pub fn html(plan: &Plan, provenance: &Provenance) -> Result<String> {
    let plan = &showable(plan);
    let pictures = picture::all(plan)?;
    let style = format!(
        ":root{{color-scheme:light;{}}}\n@media screen and (prefers-color-scheme:dark){{:root{{color-scheme:dark;{}}}}}\n{STYLE}{}",
        palette::declarations(false),
        palette::declarations(true),
        switch_rules(&pictures),
    );
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content={ "planish " (provenance.version) };
                title { (plan.speaker) ": equalization plan" }
                link rel="icon" href="data:,";
                style { (PreEscaped(style)) }
            }
            body {
                header { (opening(plan)) }
                main {
                    @for (number, picture) in (1..).zip(&pictures) { (figure(plan, number, picture)) }
                    @if pictures.len() < 3 { (no_angles()) }
                    (sections::findings(plan))
                    (sections::filters(plan))
                    (sections::price(plan))
                    (sections::ladder(plan))
                    (sections::rating(plan))
                    (sections::measurement(plan))
                    (sections::provenance(plan, provenance))
                    (cautions())
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    Ok(page.into_string())
}

/// Names of more letters are set smaller.
const LONG_NAME: usize = 60;

fn opening(plan: &Plan) -> Markup {
    let rating = match (plan.prediction.rating_before, plan.prediction.rating_after) {
        (Some(before), Some(after)) => {
            format!("{:.1} \u{2192} {:.1}", before.preference, after.preference)
        }
        _ => "-".into(),
    };
    let deviation = format!(
        "{:.1} \u{2192} {:.1} dB",
        plan.deviation_before_db(),
        plan.deviation_after_db()
    );
    let figures = [
        ("deviation from target", deviation, "rms"),
        ("reach", percent(plan.audit.reach), "by an ideal EQ"),
        (
            "yield",
            percent(plan.prediction.yield_share),
            "by these filters",
        ),
        (
            "price",
            format!("{:.1} dB", plan.prediction.price_db),
            "of headroom",
        ),
        ("rating", rating, "Olive 2004, with limits"),
    ];
    html! {
        p.kicker { "Equalization plan" }
        h1.long[plan.speaker.chars().count() > LONG_NAME] { bdi { (plan.speaker) } }
        p.setting {
            "Target " bdi { (plan.target.name) }
            ", device " bdi { (plan.device.name) }
            ", judged from " (spoken_hz(plan.audit.judged_from_hz))
            " to " (spoken_hz(plan.audit.judged_to_hz))
        }
        p.statement { (isolated(&statement(plan), plan)) }
        dl.figures {
            @for (name, value, note) in figures {
                div { dt { (name) } dd { b { (value) } span { (note) } } }
            }
        }
    }
}

fn figure(plan: &Plan, number: usize, picture: &Picture) -> Markup {
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
                figcaption { (caption(plan, picture)) }
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

fn caption(plan: &Plan, picture: &Picture) -> Markup {
    let offset = match plan.level_change_db() {
        level if level.abs() < 0.05 => String::new(),
        level => format!(
            " Only shape matters: the curves after are drawn {:.1} dB {} than they are, which is what the filters change in level.",
            level.abs(),
            if level < 0.0 { "higher" } else { "lower" }
        ),
    };
    html! {
        @match picture.key {
            "response" => {
                "Thin and grey: as measured. Thick: with the filters, predicted. Dashed: the target. Dotted: the trend of what was measured, over an octave. The in-room target slopes because the speaker beams; that slope is no error."
                (offset)
                " Grey ground is not judged; tinted ground is left alone or only softened."
            }
            "filters" => {
                "Dashed: what the audit allows. Thick: all stages together, without the gain in front. Only the shape of the wish counts, so it is drawn at the level of the stages. Thin: each stage alone, numbered as in the filter table. Tinted ground is left alone or only softened."
            }
            _ => {
                "Each angle as measured, relative to the listening window at the same frequency. One filter moves every angle alike, so what all angles share is not in this picture and no filter changes it. Pale is as loud as the window, purple quieter, orange louder. Where a spot or a break in the colours stands under a finding, the angles disagree there."
                @let marked = sections::left_alone(plan);
                @if !marked.is_empty() { " Dashed lines stand where something was left alone or only softened: " (marked) "." }
            }
        }
        " " (picture.scale)
    }
}

fn no_angles() -> Markup {
    html! {
        section {
            h2 { "Every angle against the listening window" }
            p { "No angles were at hand, so there is no angle picture. What the angles do not share cannot be seen in averaged curves." }
        }
    }
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
            format!(
                "{{\"code\":{},\"name\":\"{}\",\"values\":[{}]}}",
                trace.code,
                // Names are made of our own words and numbers, without quotes or backslashes.
                trace.name,
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

fn cautions() -> Markup {
    html! {
        section.cautions {
            h2 { "Cautions" }
            ul { @for caution in CAUTIONS { li { (caution) } } }
        }
    }
}
