//! The report: one page that needs nothing but itself.

use super::picture::{self, Picture, showable};
use super::sections::{self, isolated};
use super::statement::{percent, statement};
use super::{owner, page, pair, room};
use crate::audit::spoken_hz;
use crate::error::Result;
use crate::predict::Plan;
use maud::{Markup, html};

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

/// The report as one file.
///
/// # Errors
/// When a picture cannot be drawn.
pub fn html(plan: &Plan, provenance: &Provenance) -> Result<String> {
    let plan = &showable(plan);
    let pictures = picture::all(plan)?;
    let title = format!("{}: equalization plan", plan.speaker);
    let body = html! {
        header { (opening(plan)) }
        main {
            @for (number, picture) in (1..).zip(&pictures) {
                (page::figure(number, picture, &caption(plan, picture)))
            }
            @if pictures.iter().all(|p| p.key != "angles") { (no_angles()) }
            (sections::findings(plan))
            (sections::filters(plan))
            (room::section(plan))
            (pair::section(plan))
            (sections::price(plan))
            (owner::sections(plan))
            (sections::ladder(plan))
            (sections::rating(plan))
            (sections::measurement(plan))
            (sections::provenance(plan, provenance))
            (page::cautions())
        }
    };
    Ok(page::whole(&title, &provenance.version, &pictures, &body))
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
        ("reach", percent(plan.reach), "by an ideal EQ"),
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
            ", judged from " (spoken_hz(plan.audit.judged.from_hz))
            " to " (spoken_hz(plan.audit.judged.to_hz))
        }
        (owner::contradictions(plan))
        p.statement { (isolated(&statement(plan), plan)) }
        dl.figures {
            @for (name, value, note) in figures {
                div { dt { (name) } dd { b { (value) } span { (note) } } }
            }
        }
    }
}

fn caption(plan: &Plan, picture: &Picture) -> Markup {
    let offset = match plan.prediction.eq_level_db {
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
                "Thin and grey: as measured. Thick: with the filters, predicted. Dashed: the target. The in-room target slopes because the speaker beams; that slope is no error."
                (offset)
                " Boxes below: full where corrected, in part where softened, empty where left alone. Grey ground is not judged; tinted ground is left alone or only softened."
            }
            "filters" => {
                "The wish is what the audit allows. Only its shape counts, so it is drawn at the level of the stages. Stages are numbered as in the filter table. Tinted ground is left alone or only softened."
            }
            "room" => {
                "Each seat over the level that all have in common. Where the thick line is lower than the grey one a peak that the seats share was cut; nulls and differences from seat to seat stay. Grey ground: above the transition, where the angles decide."
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
