//! What the seats hear below the transition, before and after.

use super::palette::Ink;
use super::picture::{Picture, Trace};
use super::plot::{DB_PER_DECADE, draw_traces, heading};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, Manner, TO_HZ, UNITS_PER_DECADE, block, drawn, frequency_lines,
    frequency_words, level_lines, panel, pen, words, x_of,
};
use super::span::{Text, db, exact, hz, name, text};
use crate::error::Result;
use crate::predict::Plan;
use crate::seats::{Decided, Judged, Outcome};

/// Room for the heading.
const HEADING_HEIGHT: i32 = 130;
/// Lowest and highest level that is drawn, dB over what the seats have in common.
const LEVELS_DB: (f64, f64) = (-25.0, 25.0);

/// Draws the picture; `None` where no seats say anything of the zone.
///
/// # Errors
/// When the drawing surface refuses a mark.
pub fn draw(plan: &Plan) -> Result<Option<Picture>> {
    let Some(room) = &plan.situation.room else {
        return Ok(None);
    };
    match (&room.judged, &room.outcome) {
        (Some(judged), Some(outcome)) => {
            drawn_for(room, judged, outcome, plan.prediction.eq_level_db).map(Some)
        }
        _ => Ok(None),
    }
}

fn drawn_for(
    room: &Decided,
    judged: &Judged,
    outcome: &Outcome,
    level_change_db: f64,
) -> Result<Picture> {
    let transition_hz = room.transition.hz();
    let mean_db = judged.mean_over_db();
    let after_db: Vec<f64> = mean_db
        .iter()
        .zip(&outcome.gains_db)
        .map(|(m, g)| m + g - level_change_db)
        .collect();
    let trace = |code, name: Text, ink, manner, width, values| Trace {
        code,
        name,
        ink,
        manner,
        width,
        values,
    };
    let mean = trace(
        1,
        "mean, before".into(),
        Ink::Before,
        Manner::Plain,
        9,
        mean_db,
    );
    let after = trace(
        2,
        "mean, after".into(),
        Ink::After,
        Manner::Plain,
        14,
        after_db,
    );
    // Codes are one byte; seats beyond have no line. Fewer are read.
    let seats: Vec<Trace> = (3..=u8::MAX)
        .zip(judged.names.iter().zip(&judged.over_db))
        .map(|(code, (name, over_db))| {
            let seat = text!("{}, before", self::name(name));
            trace(code, seat, Ink::Stage, Manner::Plain, 4, over_db.clone())
        })
        .collect();
    let units_per_db = f64::from(UNITS_PER_DECADE) / DB_PER_DECADE;
    let (low, high) = LEVELS_DB;
    let bottom = HEADING_HEIGHT + ((high - low) * units_per_db).round() as i32;
    let height = bottom + AXIS_HEIGHT;
    let marks = drawn(height, |surface| {
        let area = panel(surface, HEADING_HEIGHT, bottom, low, high);
        let shade = pen(Ink::Shade, 0, Manner::Plain);
        block(
            &area,
            (transition_hz.max(FROM_HZ), TO_HZ),
            LEVELS_DB,
            shade,
            1.0,
        )?;
        frequency_lines(&area, low, high)?;
        level_lines(surface, &area, LEVELS_DB, 5.0)?;
        heading(
            surface,
            "At the seats, dB over what they share",
            HEADING_HEIGHT,
        )?;
        let traces = seats.iter().chain([&mean, &after]);
        draw_traces(&area, judged.grid.freqs_hz(), traces, LEVELS_DB)?;
        let place = (x_of(transition_hz) + 40, HEADING_HEIGHT + 120);
        let said = text!("above {} by angles", hz(transition_hz)).to_string();
        words(surface, &said, place, Hang::Right, Ink::Words, 0)?;
        frequency_words(surface, bottom)
    })?;
    Ok(Picture {
        key: "room",
        title: "The seats below the transition, before and after",
        description: describe(transition_hz, outcome),
        height,
        scale: text! {
            "Thin: each seat before. Thick: their mean with the filters, as loud as before. {} of level are as high as a decade of frequency is wide (IEC 60263).",
            exact(DB_PER_DECADE, "dB")
        },
        numbers: Text::default(),
        marks,
        freqs_hz: judged.grid.freqs_hz().to_vec(),
        traces: [mean, after].into_iter().chain(seats).collect(),
        switchable: true,
    })
}

fn describe(transition_hz: f64, outcome: &Outcome) -> Text {
    let mut said = text! {
        "Level at {} seats up to an octave above the transition at {}.",
        outcome.seats.len(), hz(transition_hz)
    };
    for after in &outcome.peaks {
        said += text! {
            " Shared peak at {}: {} before, {} after.",
            hz(after.peak.f0_hz), db(after.peak.mean_db, 1), db(after.left_db(), 1).signed()
        };
    }
    said
}
