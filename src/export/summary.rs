//! Many plans as a table for any program, and as JSON.

use super::rows::to_text;
use crate::audit::Cause;
use crate::error::{Error, Result};
use crate::filter_list::shortest;
use crate::predict::Grade;
use crate::predict::summary::{Entry, LeftAlone, Summary};
use serde::Serialize;

const COLUMNS: [&str; 17] = [
    "place",
    "folder",
    "speaker",
    "target",
    "device",
    "grade",
    "deviation_before_db",
    "deviation_after_db",
    "reach",
    "yield",
    "price_db",
    "rating_before",
    "rating_after",
    "stages",
    "corrected",
    "left_alone",
    "error",
];

/// The table of `entries` in their order: comma-separated, header first, LF. A number that could
/// not be had is an empty field; what was left alone is `frequency size cause`, one after the
/// other with semicolons between.
///
/// # Errors
/// When the text cannot be put together.
pub fn csv(entries: &[Entry]) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let failed = |error: &dyn std::fmt::Display| Error::call(format!("no table: {error}"));
    writer.write_record(COLUMNS).map_err(|e| failed(&e))?;
    for (place, entry) in (1..).zip(entries) {
        writer
            .write_record(fields(place, entry))
            .map_err(|e| failed(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(&e))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}

fn fields(place: usize, entry: &Entry) -> [String; COLUMNS.len()] {
    let folder = entry.folder.display().to_string();
    let number = |value: Option<f64>| value.map(shortest).unwrap_or_default();
    match &entry.outcome {
        Ok(row) => [
            place.to_string(),
            folder,
            row.speaker.clone(),
            row.target.clone(),
            row.device.clone(),
            row.grade.name().to_string(),
            shortest(row.deviation_before_db),
            shortest(row.deviation_after_db),
            number(row.reach),
            number(row.yield_share),
            shortest(row.price_db),
            number(row.rating_before),
            number(row.rating_after),
            row.stages.to_string(),
            row.corrected.to_string(),
            left_words(&row.left),
            String::new(),
        ],
        Err(error) => {
            let mut fields: [String; COLUMNS.len()] = Default::default();
            fields[1] = folder;
            fields[COLUMNS.len() - 1] = error.clone();
            fields
        }
    }
}

fn left_words(left: &[LeftAlone]) -> String {
    let words: Vec<String> = left
        .iter()
        .map(|one| format!("{:.0} Hz {:+.1} dB {}", one.peak_hz, one.size_db, one.cause))
        .collect();
    words.join("; ")
}

#[derive(Debug, Serialize)]
struct TableDocument {
    speakers: Vec<Row>,
}

#[derive(Debug, Serialize)]
struct Row {
    folder: String,
    error: Option<String>,
    #[serde(flatten)]
    summary: Option<SummaryRow>,
}

#[derive(Debug, Serialize)]
struct SummaryRow {
    speaker: String,
    target: String,
    device: String,
    grade: Grade,
    deviation_before_db: f64,
    deviation_after_db: f64,
    reach: Option<f64>,
    r#yield: Option<f64>,
    price_db: f64,
    rating_before: Option<f64>,
    rating_after: Option<f64>,
    stages: usize,
    corrected: usize,
    left_alone: Vec<LeftRow>,
}

#[derive(Debug, Serialize)]
struct LeftRow {
    peak_hz: f64,
    size_db: f64,
    cause: Cause,
    decision: &'static str,
}

impl From<&Summary> for SummaryRow {
    fn from(row: &Summary) -> Self {
        SummaryRow {
            speaker: row.speaker.clone(),
            target: row.target.clone(),
            device: row.device.clone(),
            grade: row.grade,
            deviation_before_db: row.deviation_before_db,
            deviation_after_db: row.deviation_after_db,
            reach: row.reach,
            r#yield: row.yield_share,
            price_db: row.price_db,
            rating_before: row.rating_before,
            rating_after: row.rating_after,
            stages: row.stages,
            corrected: row.corrected,
            left_alone: row
                .left
                .iter()
                .map(|one| LeftRow {
                    peak_hz: one.peak_hz,
                    size_db: one.size_db,
                    cause: one.cause,
                    decision: one.decision.name(),
                })
                .collect(),
        }
    }
}

/// The same as one JSON document: `speakers`, a list in the order of `entries`; `error` is `null`
/// where there is a plan.
pub fn json(entries: &[Entry]) -> String {
    to_text(&TableDocument {
        speakers: entries
            .iter()
            .map(|entry| Row {
                folder: entry.folder.display().to_string(),
                error: entry.outcome.as_ref().err().cloned(),
                summary: entry.outcome.as_ref().ok().map(SummaryRow::from),
            })
            .collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Decision;
    use crate::predict::summary::Sketch;

    fn entries() -> Vec<Entry> {
        let row = Summary {
            speaker: "Name, with \"quotes\"".into(),
            target: "flat".into(),
            device: "open-48k".into(),
            grade: Grade::Well,
            deviation_before_db: 2.5,
            deviation_after_db: 0.5,
            reach: Some(0.97),
            yield_share: Some(0.96),
            price_db: 1.5,
            rating_before: None,
            rating_after: None,
            stages: 4,
            corrected: 2,
            left: vec![LeftAlone {
                peak_hz: 628.4,
                size_db: -5.24,
                cause: Cause::Cancellation,
                decision: Decision::Leave,
            }],
            sketch: Sketch {
                freqs_hz: vec![],
                window_before_db: vec![],
                window_after_db: vec![],
                target_db: vec![],
            },
        };
        vec![
            Entry {
                folder: "a".into(),
                outcome: Ok(row),
            },
            Entry {
                folder: "b".into(),
                outcome: Err("b/x.csv:3:1: found \"n/a\"".into()),
            },
        ]
    }

    #[test]
    fn the_whole_table_with_a_speaker_and_an_error() {
        assert_eq!(
            csv(&entries()).unwrap(),
            "place,folder,speaker,target,device,grade,deviation_before_db,deviation_after_db,reach,yield,price_db,rating_before,rating_after,stages,corrected,left_alone,error\n\
             1,a,\"Name, with \"\"quotes\"\"\",flat,open-48k,well,2.5,0.5,0.97,0.96,1.5,,,4,2,628 Hz -5.2 dB cancellation,\n\
             ,b,,,,,,,,,,,,,,,\"b/x.csv:3:1: found \"\"n/a\"\"\"\n"
        );
    }

    #[test]
    fn json_keeps_the_order_and_says_null_where_there_is_none() {
        let document: serde_json::Value = serde_json::from_str(&json(&entries())).unwrap();
        let rows = document["speakers"].as_array().unwrap();
        assert!(rows[0]["error"].is_null() && rows[0]["rating_before"].is_null());
        assert_eq!(rows[0]["left_alone"][0]["cause"], "cancellation");
        assert_eq!(rows[1]["folder"], "b");
        assert!(rows[1]["error"].is_string() && rows[1].get("grade").is_none());
    }
}
