//! Pictures of a few plans side by side: one curve of each in every picture.

use super::filter_picture;
use super::palette::Ink;
use super::picture::{Picture, Trace};
use super::plot::{DB_PER_DECADE, draw_traces, heading};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, Manner, TO_HZ, UNITS_PER_DECADE, drawn, frequency_lines,
    frequency_words, level_lines, panel, words, x_of,
};
use super::span::{Text, exact, text};
use crate::curve::{Curve, Grid, resample_db};
use crate::error::{Error, Result};
use crate::predict::Plan;

/// The most plans that one picture can show: six colours, each twice.
pub const MOST_PLANS: usize = 2 * COLOURS.len();

const COLOURS: [Ink; 6] = [
    Ink::After,
    Ink::Left,
    Ink::Mended,
    Ink::Stage,
    Ink::Softened,
    Ink::Quiet,
];
const LINES: [Manner; 3] = [Manner::Plain, Manner::Dashed, Manner::Dotted];

/// Density of the pictures, points per octave.
const POINTS_PER_OCTAVE: f64 = 24.0;
/// Height of the heading.
const HEADING_HEIGHT: i32 = 180;

/// The frequencies that all plans have in common.
fn common_grid(plans: &[Plan]) -> Result<Grid> {
    let grids = || plans.iter().map(|plan| &plan.audit.grid);
    let from_hz = grids().map(Grid::first_hz).fold(FROM_HZ, f64::max);
    let to_hz = grids().map(Grid::last_hz).fold(TO_HZ, f64::min);
    if to_hz < 2.0 * from_hz {
        return Err(Error::call(
            "the measurements have less than an octave in common",
        ));
    }
    Ok(Grid::logarithmic(from_hz, to_hz, POINTS_PER_OCTAVE))
}

/// One curve of each plan, on the common frequencies.
struct Curves<'a> {
    plans: &'a [Plan],
    labels: &'a [Text],
    grid: Grid,
}

impl Curves<'_> {
    /// A trace for each plan of which `curve` has one.
    fn traces(&self, curve: impl Fn(&Plan) -> Option<Vec<f64>>) -> Vec<Trace> {
        (0u8..)
            .zip(self.plans)
            .zip(self.labels)
            .filter_map(|((place, plan), label)| {
                let values = resample_db(&plan.audit.grid, &curve(plan)?, &self.grid);
                let place_of = usize::from(place);
                Some(Trace {
                    code: place + 1,
                    name: text!("{}: {}", usize::from(place) + 1, label.clone()),
                    ink: COLOURS[place_of % COLOURS.len()],
                    manner: LINES[place_of % LINES.len()],
                    width: if place_of < COLOURS.len() { 11 } else { 6 },
                    values: values.into_iter().collect::<Option<_>>()?,
                })
            })
            .collect()
    }

    fn picture(&self, about: Overlay, traces: Vec<Trace>) -> Result<Picture> {
        let values = || traces.iter().flat_map(|trace| &trace.values);
        let step_db = about.step_db;
        let most = values().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = values().copied().fold(f64::INFINITY, f64::min);
        let high = step_db * ((most + 0.4 * step_db) / step_db).ceil();
        let low = step_db * ((least - 0.4 * step_db) / step_db).floor();
        let low = low.max(high - about.span_db.1).min(high - about.span_db.0);
        let units_per_db = f64::from(UNITS_PER_DECADE) / about.db_per_decade;
        let bottom = HEADING_HEIGHT + ((high - low) * units_per_db).round() as i32;
        let freqs_hz = self.grid.freqs_hz();
        let marks = drawn(bottom + AXIS_HEIGHT, |surface| {
            let area = panel(surface, HEADING_HEIGHT, bottom, low, high);
            frequency_lines(&area, low, high)?;
            level_lines(surface, &area, (low, high), step_db)?;
            heading(surface, about.heading, HEADING_HEIGHT)?;
            draw_traces(&area, freqs_hz, &traces, (low, high))?;
            for (place, trace) in traces.iter().enumerate() {
                // Numbers stand apart along the axis, so that each can be read.
                let share = (place as f64 + 0.5) / traces.len() as f64;
                let f_hz = NUMBERED_HZ.0 * (NUMBERED_HZ.1 / NUMBERED_HZ.0).powf(share);
                let level_db = trace.values[self.grid.nearest(f_hz)].clamp(low, high);
                let (_, y) = area.map_coordinate(&(f_hz, level_db));
                let at = (x_of(f_hz), y - 20);
                let number = trace.code.to_string();
                words(surface, &number, at, Hang::Above, Ink::Words, trace.code)?;
            }
            frequency_words(surface, bottom)
        })?;
        Ok(Picture {
            key: about.key,
            title: about.title,
            description: text! {
                "{} from 20 Hz to 20 kHz, one curve for each plan: {}. The numbers stand in the table below.",
                about.title, Text::joined(self.labels.iter().cloned(), "; ")
            },
            scale: text! {
                "{} {} are as high as a decade of frequency is wide.",
                about.reading, exact(about.db_per_decade, "dB")
            },
            numbers: Text::default(),
            height: bottom + AXIS_HEIGHT,
            marks,
            freqs_hz: freqs_hz.to_vec(),
            traces,
            switchable: true,
        })
    }
}

/// Within these frequencies the numbers of the curves stand, Hz.
const NUMBERED_HZ: (f64, f64) = (100.0, 10_000.0);

/// What a picture of one curve of each plan says and how it is ruled.
struct Overlay {
    key: &'static str,
    title: &'static str,
    heading: &'static str,
    reading: &'static str,
    step_db: f64,
    /// Least and greatest height, dB.
    span_db: (f64, f64),
    db_per_decade: f64,
}

/// Listening windows, in-room curves and filters of the plans.
///
/// # Errors
/// When they have no frequency in common, or a picture cannot be drawn.
pub fn pictures(plans: &[Plan], labels: &[Text]) -> Result<Vec<Picture>> {
    let curves = Curves {
        plans,
        labels,
        grid: common_grid(plans)?,
    };
    let level = |key, title, heading| Overlay {
        key,
        title,
        heading,
        reading: "Each curve relative to the level of its own speaker's listening window; the change of level by the filters is taken out.",
        step_db: 5.0,
        span_db: (25.0, 35.0),
        db_per_decade: DB_PER_DECADE,
    };
    let window = level(
        "window",
        "Listening window with the filters",
        "Listening window, dB",
    );
    let before = level(
        "before",
        "Listening window as measured",
        "Listening window, dB",
    );
    let room = level(
        "room",
        "In-room curve with the filters",
        "In-room curve, dB",
    );
    let filters = Overlay {
        key: "filters",
        title: "The filters of each plan",
        heading: "Gain of all stages, dB",
        reading: "All stages together, without the gain in front.",
        step_db: 2.0,
        span_db: (10.0, 30.0),
        db_per_decade: filter_picture::DB_PER_DECADE,
    };
    let db = |curve: &Curve| curve.values_db().to_vec();
    let several_speakers = plans.iter().any(|p| p.curves != plans[0].curves);
    let mut pictures = Vec::new();
    if several_speakers {
        let traces = curves.traces(|plan| Some(db(&plan.window_before())));
        pictures.push(curves.picture(before, traces)?);
    }
    let traces = curves.traces(|plan| Some(db(&plan.prediction.after(&plan.window_before()))));
    pictures.push(curves.picture(window, traces)?);
    let traces = curves.traces(|plan| Some(db(&plan.prediction.after(&plan.in_room_before()?))));
    if !traces.is_empty() {
        pictures.push(curves.picture(room, traces)?);
    }
    let traces = curves.traces(|plan| Some(plan.prediction.eq.values_db().to_vec()));
    pictures.push(curves.picture(filters, traces)?);
    Ok(pictures)
}
