//! The parts of the report that are words and tables.

use super::html::Provenance;
use super::picture::{cause_words, decision_ink, decision_words, without_controls};
use super::statement::{percent, stages_words};
use crate::audit::{Decision, spoken_hz};
use crate::average::RearWall;
use crate::predict::{Demand, Plan};
use crate::response::{Orbit, Response};
use maud::{Markup, html};

/// `text` with units kept on the line of their numbers.
pub fn with_bound_units(text: &str) -> String {
    ["dB", "Hz", "kHz", "%"]
        .iter()
        .fold(text.to_string(), |text, unit| {
            text.replace(&format!(" {unit}"), &format!("\u{a0}{unit}"))
        })
}

/// Text with every name that came from outside set apart, so that its direction of writing does
/// not spill over.
pub fn isolated(text: &str, plan: &Plan) -> Markup {
    let names = [&plan.speaker, &plan.target.name, &plan.device.name];
    // Short plain names need no care and would be found inside other words.
    let first = names
        .iter()
        .filter(|name| name.chars().count() > 2 || !name.is_ascii())
        .filter_map(|name| text.find(name.as_str()).map(|at| (at, name.len())))
        .min();
    match first {
        Some((at, length)) if length > 0 => {
            let (before, rest) = text.split_at(at);
            let (name, after) = rest.split_at(length);
            html! { (with_bound_units(before)) bdi { (name) } (isolated(after, plan)) }
        }
        _ => html! { (with_bound_units(text)) },
    }
}

/// A number with sign and one digit, a dash where there is none.
fn signed(value: Option<f64>) -> String {
    value.map_or("-".into(), |v| format!("{v:+.1}"))
}

fn unsigned(value: Option<f64>) -> String {
    value.map_or("-".into(), |v| format!("{v:.1}"))
}

/// The column name of a curve in words.
fn curve_words(name: &str) -> String {
    match name.strip_suffix("_di") {
        Some(name) => format!("{} directivity index", name.replace('_', " ")),
        None => name.replace('_', " "),
    }
}

/// What has a line in the angle picture, in words.
pub fn left_alone(plan: &Plan) -> String {
    let words: Vec<String> = (1..)
        .zip(&plan.wish.findings)
        .filter(|(_, f)| f.decision != Decision::Correct && f.q.is_some())
        .map(|(number, f)| {
            format!(
                "{number} {} at {}",
                cause_words(f.cause),
                spoken_hz(f.peak_hz)
            )
        })
        .collect();
    words.join(", ")
}

pub fn findings(plan: &Plan) -> Markup {
    let findings = &plan.wish.findings;
    html! {
        section {
            h2 { "Findings" }
            @if findings.is_empty() {
                p { "Nothing worth speaking of." }
            } @else {
                div.wide tabindex="0" role="region" aria-label="Findings" {
                    table.findings {
                        thead { tr {
                            th scope="col" { "No." }
                            th scope="col" { "at" }
                            th.word scope="col" { "cause" }
                            th.word scope="col" { "decision" }
                            th scope="col" { "size, dB" }
                            th scope="col" { "in the room, dB" }
                            th scope="col" { "Q" }
                            th scope="col" { "spread, dB" }
                        } }
                        @for (number, finding) in (1..).zip(findings) {
                            tbody {
                                tr {
                                    th scope="row" { (number) }
                                    td { (spoken_hz(finding.peak_hz)) }
                                    td.word { (cause_words(finding.cause)) }
                                    td.word {
                                        span.mark data-share=(finding.decision.name()) style={ "--mark:" (decision_ink(finding.decision).variable()) } {}
                                        (decision_words(finding))
                                    }
                                    td { (signed(Some(finding.size_db))) }
                                    td { (signed(finding.in_room_size_db)) }
                                    td { (unsigned(finding.q)) }
                                    td { (unsigned(finding.spread_db)) }
                                }
                                tr.reason { td colspan="8" { div { (finding.reason()) "." } } }
                            }
                        }
                    }
                }
                p.note { "Size: in the listening window, of the room at its seats. Spread: how much the size differs from angle to angle, weighted as the angles count in the room." }
            }
        }
    }
}

pub fn filters(plan: &Plan) -> Markup {
    html! {
        section {
            h2 { "Filters" }
            p {
                "For " bdi { (plan.device.name) } ", " (stages_words(plan.stages().len())) " of " (plan.device.stages)
                ", at " (plan.device.rate_hz) " Hz, numbers " (plan.device.number.to_string()) "."
            }
            div.wide tabindex="0" role="region" aria-label="Filters" {
                table {
                    thead { tr {
                        th scope="col" { "Stage" }
                        th.word scope="col" { "type" }
                        th scope="col" { "f0, Hz" }
                        th scope="col" { "gain, dB" }
                        th scope="col" { "Q" }
                    } }
                    tbody {
                        tr.front {
                            th scope="row" { "0" }
                            td.word { "gain in front" }
                            td { "-" }
                            td { (format!("{:.1}", plan.prediction.bank.gain_db)) }
                            td { "-" }
                        }
                        @for (number, stage) in (1..).zip(plan.stages()) {
                            tr {
                                th scope="row" { (number) }
                                td.word { (stage.kind.name()) }
                                td { (format!("{:.1}", stage.f0_hz)) }
                                td { (if stage.kind.has_gain() { format!("{:+.2}", stage.gain_db) } else { "-".into() }) }
                                td { (format!("{:.3}", stage.q)) }
                            }
                        }
                    }
                }
            }
            p.note { "Q as in the W3C Audio EQ Cookbook. The filter list holds the exact numbers." }
        }
    }
}

pub fn price(plan: &Plan) -> Markup {
    let prediction = &plan.prediction;
    html! {
        section {
            h2 { "What it costs" }
            ul {
                @if prediction.price_db > 0.0 {
                    li { (format!("{:.1}", prediction.price_db)) " dB of headroom: so much lower must the level in front of the stages be, or full-scale signals clip." }
                } @else {
                    li { "No headroom: the stages together never boost." }
                }
                li { "Stages: " (plan.stages().len()) " of " (plan.device.stages) "." }
                @if let Some(demand) = plan.prediction.largest_demand() { li { (amplifier_words(demand, plan.prediction.eq_level_db)) } }
                @if let Some(worst) = prediction.worst_change {
                    li {
                        "The worst served direction of the listening window is " (worst.direction.to_string())
                        ": its roughness goes from " (format!("{:.2}", worst.before_db)) " to " (format!("{:.2}", worst.after_db))
                        " dB rms (" (format!("{:+.2}", worst.change_db())) " dB)."
                    }
                } @else {
                    li { "Without angles it cannot be said which direction is served worst." }
                }
            }
        }
    }
}

/// A change of level below this is none as printed, dB.
const PRINTED_LEVEL_DB: f64 = 0.05;

/// What the plan asks of the amplifier.
fn amplifier_words(demand: Demand, level_change_db: f64) -> String {
    let level = match level_change_db {
        change if change.abs() < PRINTED_LEVEL_DB => {
            "The filters leave the level as it was".to_string()
        }
        change => format!(
            "The filters make the speaker {:.1} dB {}",
            change.abs(),
            if change < 0.0 { "quieter" } else { "louder" }
        ),
    };
    let most = if demand.gain_db < PRINTED_LEVEL_DB {
        "at no frequency more than before".to_string()
    } else {
        format!(
            "most at {}: {:+.1} dB, {:.1} times the power",
            spoken_hz(demand.f_hz),
            demand.gain_db,
            demand.power_ratio()
        )
    };
    format!(
        "{level}; turned to the loudness it had, it asks the amplifier {most}. How much it can give there without distortion this measurement does not say."
    )
}

pub fn ladder(plan: &Plan) -> Markup {
    let ladder = &plan.fit.ladder;
    let most_db = ladder.iter().map(|rung| rung.rms_db).fold(0.0, f64::max);
    let share = |rms_db: f64| {
        if most_db > 0.0 {
            100.0 * rms_db / most_db
        } else {
            0.0
        }
    };
    let kept = plan.fit.stages.len();
    let bought = |place: usize| match place.checked_sub(1) {
        Some(below) => format!("{:.3}", ladder[below].rms_db - ladder[place].rms_db),
        None => "-".into(),
    };
    html! {
        section {
            h2 { "What each further stage would buy" }
            p { "How far the best filters with so many stages stay from the wish, dB rms, and by how much the last of them brought it down. This plan uses " (stages_words(kept)) "." }
            table.ladder {
                thead { tr { th scope="col" { "Stages" } th scope="col" { "left, dB" } th scope="col" { "bought, dB" } th.word scope="col" { span.hidden { "as a bar" } } } }
                tbody {
                    @for (place, rung) in ladder.iter().enumerate() {
                        tr.kept[rung.stages == kept] {
                            th scope="row" { (rung.stages) }
                            td { (format!("{:.3}", rung.rms_db)) }
                            td { (bought(place)) }
                            td.bar {
                                span.length style={ "width:" (format!("{:.1}", share(rung.rms_db))) "%" } {}
                                @if rung.stages == kept { span.here { "this plan" } }
                            }
                        }
                    }
                }
            }
        }
    }
}

pub fn rating(plan: &Plan) -> Markup {
    html! {
        section {
            h2 { "Preference rating" }
            @if let (Some(before), Some(after)) = (plan.prediction.rating_before, plan.prediction.rating_after) {
                table {
                    thead { tr { th.word scope="col" { "Term" } th scope="col" { "before" } th scope="col" { "after" } } }
                    tbody {
                        @for (name, digits, a, b) in [
                            ("narrow-band deviation on axis, dB", 2, before.nbd_on_axis_db, after.nbd_on_axis_db),
                            ("narrow-band deviation in the room, dB", 2, before.nbd_in_room_db, after.nbd_in_room_db),
                            ("low-frequency extension, Hz", 0, before.extension_hz, after.extension_hz),
                            ("smoothness in the room, 0 to 1", 2, before.smoothness_in_room, after.smoothness_in_room),
                            ("rating", 1, before.preference, after.preference),
                        ] {
                            tr { th.word scope="row" { (name) } td { (format!("{a:.digits$}")) } td { (format!("{b:.digits$}")) } }
                        }
                    }
                }
                @if before.extension_not_reached {
                    p { "The sound power does not fall by 6 dB within the data, so the extension is the lowest measured frequency and the rating may be too low or too high." }
                }
            } @else {
                p { "There is no rating: it takes on-axis, listening window, sound power and in-room curves from 300 Hz or lower to 16 kHz." }
            }
            p.note {
                "Model: S. E. Olive, A Multiple Regression Model for Predicting Loudspeaker Preference Using Objective Measurements, AES preprints 6113 and 6190 (2004). It is reported, never optimised. Its limits: trained on level-matched mono listening to conventional forward-firing speakers in one kind of room; no term for distortion, maximum level or directivity as such; bass extension outweighs audible midrange faults; a flat in-room curve scores low."
            }
        }
    }
}

pub fn measurement(plan: &Plan) -> Markup {
    let curves = &plan.curves;
    let audit = &plan.audit;
    let response = plan.prediction.response_after.as_ref();
    html! {
        section {
            h2 { "What the measurement shows and what it does not" }
            ul {
                li {
                    "Data from " (spoken_hz(curves.grid.first_hz())) " to " (spoken_hz(curves.grid.last_hz()))
                    " at " (curves.grid.len()) " frequencies; judged from " (spoken_hz(audit.judged.from_hz)) " to " (spoken_hz(audit.judged.to_hz)) "."
                }
                li { (trusted_words(plan)) }
                @if let Some(corner_hz) = audit.corner_hz {
                    li { "The listening window has fallen by 6 dB at " (spoken_hz(corner_hz)) "; nothing is boosted below." }
                } @else {
                    li { "The low end does not fall by 6 dB within the data, so the tuning is not known. Boost nothing below it." }
                }
                @if audit.averages_only {
                    li { "Only averaged curves were at hand. That is weaker evidence: narrow dips were left alone unasked, and no spread over angles is known." }
                }
                @if let Some(response) = response {
                    @for orbit in [Orbit::Horizontal, Orbit::Vertical] { li { (orbit_words(response, orbit)) } }
                }
                li {
                    "The rear wall in the early reflections: "
                    (match curves.rear_wall {
                        RearWall::ThreePoints => "180 and \u{b1}90 degrees.",
                        RearWall::FullArc => "90 to 180 degrees on both sides.",
                    })
                }
                li { "A response free of reflections says nothing of the room below its transition frequency, of distortion or of the highest clean level." }
                li { "The curves after are predicted from the filters as the device holds them; they were not measured." }
            }
            table {
                thead { tr { th.word scope="col" { "Curve" } th scope="col" { "of its directions measured" } } }
                tbody {
                    @for (name, curve) in curves.named() {
                        tr {
                            th.word scope="row" { (curve_words(name)) }
                            td { (curve.map_or("not there".to_string(), |c| percent(Some(c.completeness)))) }
                        }
                    }
                }
            }
        }
    }
}

fn trusted_words(plan: &Plan) -> String {
    let stated = match (plan.trusted.from_hz, plan.trusted.to_hz) {
        (None, None) => {
            return "The measurement states no range in which it is to be trusted; all of it was."
                .into();
        }
        (Some(from_hz), None) => format!("from {}", spoken_hz(from_hz)),
        (None, Some(to_hz)) => format!("up to {}", spoken_hz(to_hz)),
        (Some(from_hz), Some(to_hz)) => {
            format!("from {} to {}", spoken_hz(from_hz), spoken_hz(to_hz))
        }
    };
    format!("Trusted, as the measurement states, {stated}; nothing beyond was judged.")
}

fn orbit_words(response: &Response, orbit: Orbit) -> String {
    let on_orbit: Vec<_> = response
        .members()
        .iter()
        .filter(|m| m.direction.orbit() == orbit)
        .collect();
    if !response.has_orbit(orbit) {
        return format!("No {} angles off the axis were measured.", orbit.name());
    }
    let mirrored = on_orbit.iter().filter(|m| m.mirrored).count();
    let measured = on_orbit.len() - mirrored;
    match mirrored {
        0 => format!("{measured} {} angles, all measured.", orbit.name()),
        n => format!(
            "{measured} {} angles measured, {n} more mirrored from the other side.",
            orbit.name()
        ),
    }
}

pub fn provenance(plan: &Plan, provenance: &Provenance) -> Markup {
    html! {
        section {
            h2 { "How to repeat this" }
            dl.provenance {
                dt { "Program" } dd { "planish " (provenance.version) }
                dt { "Command" } dd { code { bdi { (without_controls(&provenance.command)) } } }
                dt { "Target" } dd { bdi { (plan.target.name) } @if !plan.target.about.is_empty() { ": " bdi { (plan.target.about) } } }
                dt { "Device" } dd { bdi { (plan.device.name) } @if !plan.device.about.is_empty() { ": " bdi { (plan.device.about) } } }
            }
            @if !provenance.inputs.is_empty() {
                div.wide tabindex="0" role="region" aria-label="Input files" {
                    table {
                        thead { tr { th.word scope="col" { "Input file" } th.word scope="col" { "hash" } } }
                        tbody {
                            @for (file, hash) in &provenance.inputs {
                                tr { th.word scope="row" { bdi { (without_controls(file)) } } td.word { code { (without_controls(hash)) } } }
                            }
                        }
                    }
                }
            }
            @if !provenance.understood.trim().is_empty() {
                details open { summary { "What was understood of the measurement" } pre { bdi { (without_controls(&provenance.understood)) } } }
            }
        }
    }
}
