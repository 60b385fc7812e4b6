//! The picture of a check: what the list predicts, what was measured, and the difference.

use super::palette::Ink;
use super::picture::{Picture, Trace};
use super::sheet::{
    AXIS_HEIGHT, Hang, LEFT, Manner, UNITS_PER_DECADE, curve, drawn, frequency_lines,
    frequency_words, level_lines, panel, pen, words,
};
use super::span::{Text, db, exact, hz, name, text};
use crate::check::Comparison;
use crate::curve::Grid;
use crate::error::Result;
use crate::filter_list::FilterList;

/// dB that take as much height as a decade takes width; see `filter_picture`.
const DB_PER_DECADE: f64 = 10.0;
/// Least height of the picture, dB.
const LEAST_SPAN_DB: f64 = 10.0;
/// Greatest height of the picture, dB: curves beyond are cut off.
const MOST_SPAN_DB: f64 = 40.0;
/// Room for the heading.
const HEADING_HEIGHT: i32 = 130;
/// Density of a list's own curve.
const POINTS_PER_OCTAVE: f64 = 48.0;

/// A file of its own with the response of a list, and the measurement where there is one.
///
/// # Errors
/// When the drawing surface refuses a mark.
pub fn svg(list: &FilterList, compared: Option<&Comparison>) -> Result<String> {
    let source = concat!("planish ", env!("CARGO_PKG_VERSION"), ", check").into();
    Ok(picture(list, compared)?.alone(&name(&list.speaker).into(), &source))
}

fn picture(list: &FilterList, compared: Option<&Comparison>) -> Result<Picture> {
    let trace = |code, name: &'static str, ink, manner, width, values: &[f64]| Trace {
        code,
        name: name.into(),
        ink,
        manner,
        width,
        values: values.to_vec(),
    };
    let (freqs_hz, traces) = match compared {
        None => {
            let to_hz = 20_000f64.min(0.499 * list.rate_hz);
            let grid = Grid::logarithmic(20.0, to_hz, POINTS_PER_OCTAVE);
            let values = list.bank().gains_db(grid.freqs_hz());
            let list = trace(1, "the list", Ink::After, Manner::Plain, 14, &values);
            (grid.freqs_hz().to_vec(), vec![list])
        }
        Some(compared) => {
            let curves = &compared.curves;
            let mut traces = vec![
                trace(
                    1,
                    "measured",
                    Ink::Before,
                    Manner::Plain,
                    14,
                    &curves.measured_db,
                ),
                trace(
                    2,
                    "the list",
                    Ink::After,
                    Manner::Plain,
                    10,
                    &curves.predicted_db,
                ),
            ];
            if let Some(fault_db) = &curves.fault_db {
                // The measurement is drawn at the level that fits the list; so is the fault.
                let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
                let shift = mean(&curves.measured_db) - mean(fault_db);
                let fault_db: Vec<f64> = fault_db.iter().map(|v| v + shift).collect();
                let name = "the list with the likeliest fault";
                traces.push(trace(3, name, Ink::Left, Manner::Dashed, 7, &fault_db));
            }
            (curves.freqs_hz.clone(), traces)
        }
    };
    let values = || traces.iter().flat_map(|t| t.values.iter().copied());
    let most = values().fold(0.0, f64::max);
    let least = values().fold(0.0, f64::min);
    let high: f64 = (2.0 * ((most + 0.7) / 2.0).ceil()).min(MOST_SPAN_DB / 2.0);
    let low = (2.0 * ((least - 0.7) / 2.0).floor())
        .min(high - LEAST_SPAN_DB)
        .max(high - MOST_SPAN_DB);
    let units_per_db = f64::from(UNITS_PER_DECADE) / DB_PER_DECADE;
    let bottom = HEADING_HEIGHT + ((high - low) * units_per_db).round() as i32;
    let height = bottom + AXIS_HEIGHT;
    let marks = drawn(height, |surface| {
        let area = panel(surface, HEADING_HEIGHT, bottom, low, high);
        frequency_lines(&area, low, high)?;
        level_lines(surface, &area, (low, high), 2.0)?;
        let names: Vec<String> = traces
            .iter()
            .map(|t| format!("{} {}", t.code, t.name))
            .collect();
        let heading = format!("Level in front included, dB. {}", names.join("; "));
        words(
            surface,
            &heading,
            (LEFT, HEADING_HEIGHT - 66),
            Hang::Right,
            Ink::Words,
            0,
        )?;
        for (index, trace) in (0..).zip(&traces) {
            let points: Vec<(f64, f64)> = freqs_hz
                .iter()
                .copied()
                .zip(trace.values.iter().copied())
                .collect();
            let colour = pen(trace.ink, trace.code, trace.manner);
            curve(&area, &points, low, high, colour, trace.width)?;
            // The codes stand apart along the curves, so that they can be told without colour.
            let at = points.len() * (2 + index) / 8;
            if let Some((f_hz, value)) = points.get(at) {
                let place = area.map_coordinate(&(*f_hz, value.clamp(low + 0.7, high - 0.7)));
                let code = trace.code.to_string();
                words(
                    surface,
                    &code,
                    (place.0, place.1 - 22),
                    Hang::Above,
                    Ink::Words,
                    trace.code,
                )?;
            }
        }
        frequency_words(surface, bottom)
    })?;
    let title = if compared.is_some() {
        "The list against the device"
    } else {
        "The response of the list"
    };
    Ok(Picture {
        key: "check",
        title,
        description: describe(compared),
        height,
        scale: text! {
            "{} are as high as a decade of frequency is wide.",
            exact(DB_PER_DECADE, "dB")
        },
        numbers: Text::default(),
        marks,
        freqs_hz,
        traces,
        switchable: true,
    })
}

fn describe(compared: Option<&Comparison>) -> Text {
    match compared {
        None => "Level over frequency from 20 Hz to 20 kHz.".into(),
        Some(c) => text! {
            "Level over frequency. The largest difference is {} at {}{}",
            db(c.largest.0, 2).signed(), hz(c.largest.1),
            if c.matches {
                "; the device does what the list says."
            } else {
                "; the device does something else."
            }
        },
    }
}
