//! A converted list for programs: a JSON document with what became of it, and a table.

use super::rows::to_text;
use crate::convert::{Change, Converted, Way, change::Remedied};
use crate::device::{Coefficient, Number};
use crate::error::{Error, Result};
use crate::filter::{Kind, Stage};
use crate::filter_list::{FilterList, equation, in_convention, quoted, shortest, word_digits};
use crate::report::words::stage;
use serde::Serialize;
use std::path::Path;

#[derive(Debug, Serialize)]
struct Document<'a> {
    written: Option<String>,
    speaker: &'a str,
    device: &'a str,
    rate_hz: f64,
    equation: &'static str,
    number: String,
    order: [&'static str; 5],
    gain_db: f64,
    stages: Vec<StageRow>,
    way: &'static str,
    because: Vec<String>,
    changes: Vec<ChangeRow>,
    level_change_db: f64,
    largest_difference_db: f64,
    largest_difference_hz: f64,
    rms_difference_db: f64,
    same_from_hz: Option<f64>,
    same_to_hz: Option<f64>,
    compared_from_hz: f64,
    compared_to_hz: f64,
}

/// Coefficients stand in the order that the document names, with the sign of its equation.
#[derive(Debug, Serialize)]
struct StageRow {
    r#type: Kind,
    f0_hz: f64,
    gain_db: Option<f64>,
    q: f64,
    coefficients: Option<[f64; 5]>,
    words: Option<Vec<String>>,
}

#[derive(Debug, Serialize)]
struct ChangeRow {
    change: &'static str,
    stage: Option<usize>,
    what: String,
}

impl From<&Change> for ChangeRow {
    fn from(change: &Change) -> Self {
        let (name, stage) = match change {
            Change::Moved { stage, .. } => ("moved", Some(*stage)),
            Change::Remedied { stage, how, .. } => (
                match how {
                    Remedied::AnotherType { .. } => "another-type",
                    Remedied::Scaled { .. } => "scaled",
                    Remedied::Split { .. } => "split",
                },
                Some(*stage),
            ),
            Change::Unheld(_) => ("unheld", None),
            Change::Reordered => ("reordered", None),
            Change::Lowered { .. } => ("lowered", None),
        };
        ChangeRow {
            change: name,
            stage,
            what: stage::change(change).to_string(),
        }
    }
}

/// The document; `written` is the file that the list went to.
///
/// # Errors
/// When a stage lacks the coefficients that the list's number format asks for.
pub fn json(converted: &Converted, written: Option<&Path>) -> Result<String> {
    let list = &converted.list;
    let stages = (1..)
        .zip(&list.stages)
        .map(|(number, listed)| {
            Ok(StageRow {
                r#type: listed.stage.kind,
                f0_hz: listed.stage.f0_hz,
                gain_db: gain_db(&listed.stage),
                q: listed.stage.q,
                coefficients: coefficients(list, number, &converted.word_order)?,
                words: words(list, number),
            })
        })
        .collect::<Result<_>>()?;
    let difference = &converted.difference;
    Ok(to_text(&Document {
        written: written.map(|path| path.display().to_string()),
        speaker: &list.speaker,
        device: &converted.device,
        rate_hz: list.rate_hz,
        equation: equation(list.feedback),
        number: list.number.to_string(),
        order: converted.word_order.map(Coefficient::name),
        gain_db: list.gain_db,
        stages,
        way: converted.way.name(),
        because: match &converted.way {
            Way::Refitted { because } => because
                .iter()
                .map(|o| stage::obstacle(o).to_string())
                .collect(),
            _ => Vec::new(),
        },
        changes: converted.changes.iter().map(ChangeRow::from).collect(),
        level_change_db: difference.level_db,
        largest_difference_db: difference.largest_db.abs(),
        largest_difference_hz: difference.largest_hz,
        rms_difference_db: difference.rms_db,
        same_from_hz: difference.same_hz.map(|band| band.0),
        same_to_hz: difference.same_hz.map(|band| band.1),
        compared_from_hz: difference.from_hz,
        compared_to_hz: difference.to_hz,
    }))
}

fn gain_db(stage: &Stage) -> Option<f64> {
    stage.kind.has_gain().then_some(stage.gain_db)
}

/// The coefficients of stage `number` in `order`, with the sign of the list's equation.
fn coefficients(
    list: &FilterList,
    number: usize,
    order: &[Coefficient; 5],
) -> Result<Option<[f64; 5]>> {
    if list.number == Number::None {
        return Ok(None);
    }
    let section = list.stages[number - 1]
        .biquad
        .as_ref()
        .ok_or_else(|| Error::call(format!("stage {number} has no coefficients to write")))?;
    // Fixed formats have one zero only.
    Ok(Some(
        order.map(|c| in_convention(section, c, list.feedback) + 0.0),
    ))
}

fn words(list: &FilterList, number: usize) -> Option<Vec<String>> {
    let digits = word_digits(list.number);
    let words = list.stages[number - 1].words?;
    Some(words.iter().map(|w| format!("{w:0digits$x}")).collect())
}

/// The table: comma-separated, one row for each stage, coefficients in the device's order and with
/// its sign, words behind them in fixed point. What concerns all stages stands above the header in
/// lines that begin with `#`.
///
/// # Errors
/// When a stage lacks the coefficients that the list's number format asks for.
pub fn table(converted: &Converted) -> Result<String> {
    let list = &converted.list;
    let order = &converted.word_order;
    let mut out = format!(
        "# speaker {}\n# rate_hz {}\n# equation {}\n# number {}\n# gain_db {}\n",
        quoted(&list.speaker),
        shortest(list.rate_hz),
        equation(list.feedback),
        list.number,
        shortest(list.gain_db)
    );
    out += "stage,type,f0_hz,gain_db,q";
    if list.number != Number::None {
        for c in order {
            out += &format!(",{}", c.name());
        }
    }
    if word_digits(list.number) > 0 {
        for c in order {
            out += &format!(",word_{}", c.name());
        }
    }
    out.push('\n');
    for (number, listed) in (1..).zip(&list.stages) {
        let stage = &listed.stage;
        out += &format!(
            "{number},{},{},{},{}",
            stage.kind,
            shortest(stage.f0_hz),
            gain_db(stage).map(shortest).unwrap_or_default(),
            shortest(stage.q)
        );
        for value in coefficients(list, number, order)?.iter().flatten() {
            out += &format!(",{}", shortest(*value));
        }
        for word in words(list, number).iter().flatten() {
            out += &format!(",{word}");
        }
        out.push('\n');
    }
    Ok(out)
}
