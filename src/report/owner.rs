//! The owner's situation on the page and on the terminal: the same sentences in both.

use super::owner_words::{self, Part};
use super::picture::without_controls;
use super::sections::with_bound_units;
use super::text::{for_terminal, wrapped};
use crate::predict::{self, Plan};
use maud::{Markup, html};

/// What was asked against what is known, the first lines of everything printed; empty when nothing
/// contradicts.
pub fn contradictions_text(plan: &Plan) -> String {
    let mut out = String::new();
    for contradiction in predict::contradictions(plan) {
        out += &wrapped(&for_terminal(&format!("Mind: {contradiction}.")), 0);
    }
    if !out.is_empty() {
        out.push('\n');
    }
    out
}

/// What was asked for, in plain lines; empty when nothing was.
pub fn asked_text(plan: &Plan) -> String {
    lines(&owner_words::asked(plan))
}

/// What was asked for and the advice that needs nothing asked.
pub fn situation_text(plan: &Plan) -> String {
    let mut parts = owner_words::asked(plan);
    parts.extend(owner_words::advice(plan));
    lines(&parts)
}

fn lines(parts: &[Part]) -> String {
    let mut out = String::new();
    for part in parts {
        out.push('\n');
        out += &wrapped(part.heading, 0);
        for sentence in &part.sentences {
            out += &wrapped(sentence, 2);
        }
    }
    out
}

/// What was asked against what is known, in front of all else.
pub fn contradictions(plan: &Plan) -> Markup {
    html! {
        @for contradiction in predict::contradictions(plan) {
            p.statement { "Mind: " bdi { (with_bound_units(&without_controls(&contradiction.to_string()))) } "." }
        }
    }
}

/// The parts of the page about the situation.
pub fn sections(plan: &Plan) -> Markup {
    let mut parts = owner_words::asked(plan);
    parts.extend(owner_words::advice(plan));
    html! {
        @for part in parts {
            section {
                h2 { (part.heading) }
                ul { @for sentence in &part.sentences { li { (with_bound_units(sentence)) } } }
            }
        }
    }
}
