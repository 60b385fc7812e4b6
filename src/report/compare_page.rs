//! One page for a few plans side by side: their numbers, and their curves in one picture each.

use super::many_page::{About, how_to_repeat};
use super::page;
use super::palette::Ink;
use super::picture::{Picture, Trace, showable, without_controls};
use super::plot::{draw_traces, heading};
use super::sections::isolated;
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, Manner, TO_HZ, UNITS_PER_DECADE, drawn, frequency_lines,
    frequency_words, level_lines, panel, words, x_of,
};
use super::statement::statement;
use super::table::{Line, TERMS, labels, page_table};
use super::{filter_picture, response_picture};
use crate::curve::{Curve, Grid, resample_db};
use crate::error::{Error, Result};
use crate::predict::Plan;
use crate::predict::summary::{Entry, Summary};
use maud::html;

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
/// Room for the heading.
const HEADING_HEIGHT: i32 = 180;

/// The page of plans, two at least and [`MOST_PLANS`] at most.
///
/// # Errors
/// When there are more or fewer, they have no frequency in common, or a picture cannot be drawn.
pub fn html(plans: &[Plan], about: &About) -> Result<String> {
    if !(2..=MOST_PLANS).contains(&plans.len()) {
        return Err(Error::range(
            "the number of plans to compare",
            plans.len().to_string(),
            format!("between 2 and {MOST_PLANS}"),
        ));
    }
    let plans: Vec<Plan> = plans.iter().map(showable).collect();
    let entries = entries(&plans);
    let labels: Vec<String> = labels(&entries)
        .iter()
        .map(|l| without_controls(l))
        .collect();
    let pictures = pictures(&plans, &labels)?;
    let title = "Plans side by side";
    let body = html! {
        header {
            p.kicker { "Equalization plans" }
            h1 { (title) }
            ol.plans { @for label in &labels { li { bdi { (label) } } } }
        }
        main {
            section {
                h2 { "The numbers" }
                div.wide tabindex="0" role="region" aria-label="The numbers" { (page_table(&lines(&entries, &labels))) }
                p.note { (TERMS) }
            }
            @for (number, picture) in (1..).zip(&pictures) {
                (page::figure(number, picture, &html! { (picture.scale) }))
            }
            section {
                h2 { "In words" }
                ol { @for plan in &plans { li { (isolated(&statement(plan), plan)) } } }
            }
            (how_to_repeat(about))
            (page::cautions())
        }
    };
    Ok(page::whole(title, &about.version, &pictures, &body))
}

/// The plans as lines of a table; their folders are not known here.
pub fn entries(plans: &[Plan]) -> Vec<Entry> {
    (1..)
        .zip(plans)
        .map(|(number, plan)| Entry {
            folder: format!("plan {number}").into(),
            outcome: Ok(Summary::of(plan)),
        })
        .collect()
}

fn lines<'a>(entries: &'a [Entry], labels: &'a [String]) -> Vec<Line<'a>> {
    (1..)
        .zip(entries)
        .zip(labels)
        .filter_map(|((place, entry), label)| {
            Some(Line {
                place,
                label,
                link: None,
                row: entry.outcome.as_ref().ok()?,
            })
        })
        .collect()
}

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
    labels: &'a [String],
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
                    name: format!("{}: {label}", place + 1),
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
            title: about.title.into(),
            description: format!(
                "{} from 20 Hz to 20 kHz, one curve for each plan: {}. The numbers stand in the table below.",
                about.title,
                self.labels.join("; ")
            ),
            scale: format!(
                "{} {} dB are as high as a decade of frequency is wide.",
                about.reading, about.db_per_decade
            ),
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

fn pictures(plans: &[Plan], labels: &[String]) -> Result<Vec<Picture>> {
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
        db_per_decade: response_picture::DB_PER_DECADE,
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
