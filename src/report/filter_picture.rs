//! The wanted EQ, what the filters make of it, and each stage alone.

use super::palette::Ink;
use super::picture::{Picture, Trace};
use super::plot::{draw_traces, level_panel};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, Manner, TO_HZ, UNITS_PER_DECADE, drawn, frequency_words, words,
    x_of,
};
use super::span::{Text, db, exact, hz, text};
use crate::error::Result;
use crate::predict::Plan;

/// dB that take as much height as a decade takes width. EQ curves are small; this is the
/// narrower of the two ratios of IEC 60263 (from memory).
pub const DB_PER_DECADE: f64 = 10.0;

/// Least height of the picture, dB.
const LEAST_SPAN_DB: f64 = 10.0;
/// Greatest height of the picture, dB: curves beyond are cut off.
const MOST_SPAN_DB: f64 = 30.0;
/// Room for the heading.
const HEADING_HEIGHT: i32 = 130;

/// Draws the picture.
///
/// # Errors
/// When the drawing surface refuses a mark.
pub fn draw(plan: &Plan) -> Result<Picture> {
    let freqs_hz = plan.audit.grid.freqs_hz();
    let level_db = plan.fit.level_db;
    let wanted = Trace {
        code: 1,
        name: "the wanted EQ".into(),
        ink: Ink::Wanted,
        manner: Manner::Dashed,
        width: 7,
        values: plan.wish.eq.raised(-level_db).values_db().to_vec(),
    };
    let sum = Trace {
        code: 2,
        name: "all stages".into(),
        ink: Ink::After,
        manner: Manner::Plain,
        width: 14,
        values: plan.prediction.eq.values_db().to_vec(),
    };
    // Codes are one byte; stages beyond are drawn in the sum only. No device has so many.
    let stages: Vec<Trace> = (3..=u8::MAX)
        .zip(plan.stage_gains_db())
        .zip(&plan.fit.stages)
        .map(|((code, values), stage)| Trace {
            code,
            name: text! {
                "stage {}, {} at {}",
                usize::from(code - 2), stage.kind.name(), hz(stage.f0_hz)
            },
            ink: Ink::Stage,
            manner: Manner::Plain,
            width: 6,
            values,
        })
        .collect();

    let drawn_over = plan.audit.grid.range(FROM_HZ, TO_HZ);
    let all = [&wanted, &sum].into_iter().chain(&stages);
    let (mut most, mut least) = (0.0, 0.0);
    for trace in all {
        most = trace.values[drawn_over.clone()]
            .iter()
            .copied()
            .fold(most, f64::max);
        least = trace.values[drawn_over.clone()]
            .iter()
            .copied()
            .fold(least, f64::min);
    }
    let high: f64 = (2.0 * ((most + 0.7) / 2.0).ceil()).min(MOST_SPAN_DB / 2.0);
    let low = (2.0 * ((least - 0.7) / 2.0).floor())
        .min(high - LEAST_SPAN_DB)
        .max(high - MOST_SPAN_DB);
    let units_per_db = f64::from(UNITS_PER_DECADE) / DB_PER_DECADE;
    let bottom = HEADING_HEIGHT + ((high - low) * units_per_db).round() as i32;
    let height = bottom + AXIS_HEIGHT;

    let marks = drawn(height, |surface| {
        let heading = "Gain of the filters, dB; numbers are stages";
        let place = (HEADING_HEIGHT, bottom);
        let area = level_panel(surface, plan, heading, place, (low, high), 2.0)?;
        let traces = stages.iter().chain([&sum, &wanted]);
        draw_traces(&area, freqs_hz, traces, (low, high))?;
        for (trace, stage) in stages.iter().zip(&plan.fit.stages) {
            let f_hz = stage.f0_hz.clamp(1.07 * FROM_HZ, TO_HZ / 1.07);
            let gain_db = trace.values[plan.audit.grid.nearest(f_hz)].clamp(low + 0.7, high - 0.7);
            let (_, y) = area.map_coordinate(&(f_hz, gain_db));
            let (hang, y) = if stage.gain_db < 0.0 {
                (Hang::Below, y + 22)
            } else {
                (Hang::Above, y - 22)
            };
            words(
                surface,
                &(trace.code - 2).to_string(),
                (x_of(f_hz), y),
                hang,
                Ink::Words,
                trace.code,
            )?;
        }
        frequency_words(surface, bottom)
    })?;
    let description = describe(plan);
    let traces = [wanted, sum].into_iter().chain(stages).collect();
    Ok(Picture {
        key: "filters",
        title: "The wanted EQ, and what the filters make of it",
        description,
        height,
        scale: text! {
            "Dashed: the wanted EQ. Thick: all stages, without the gain in front. Thin: each alone. {} of gain are as high as a decade of frequency is wide.",
            exact(DB_PER_DECADE, "dB")
        },
        numbers: Text::default(),
        marks,
        freqs_hz: freqs_hz.to_vec(),
        traces,
        switchable: true,
    })
}

fn describe(plan: &Plan) -> Text {
    let mut said = text! {
        "Gain over frequency from 20 Hz to 20 kHz. The stages together follow the wanted EQ to {} rms.",
        db(plan.fit.rms_db, 2)
    };
    for (number, stage) in (1usize..).zip(&plan.fit.stages) {
        said += text! {
            " Stage {}: {} at {}, {}.",
            number, stage.kind.name(), hz(stage.f0_hz), db(stage.gain_db, 1).signed()
        };
    }
    said
}
