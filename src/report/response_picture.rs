//! Listening window and in-room curve, before and after, over a strip that says what is done
//! where and why.

use super::palette::Ink;
use super::picture::{Picture, Trace};
use super::plot::{DB_PER_DECADE, draw_box, draw_traces, heading, level_panel};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, LEFT, Manner, Panel, RIGHT, Surface, TO_HZ, UNITS_PER_DECADE,
    block, drawn, frequency_lines, frequency_words, panel, pen, words, x_of,
};
use super::span::{Text, db, exact, hz, text};
use super::words::finding::{cause, decided, to_read};
use crate::audit::TREND_OCT;
use crate::curve::Curve;
use crate::error::Result;
use crate::findings::Finding;
use crate::predict::Plan;

/// Least height of a panel, dB; a flat curve in a lower one would look livelier than it is.
const LEAST_SPAN_DB: f64 = 25.0;
/// Greatest height of a panel, dB: curves beyond are cut off.
const MOST_SPAN_DB: f64 = 60.0;

/// Room for a panel's heading.
const HEADING_HEIGHT: i32 = 180;
/// Height of one finding in the strip.
const ROW_HEIGHT: i32 = 128;

/// Four curves that belong together.
struct Story {
    heading: &'static str,
    before: Trace,
    after: Trace,
    wanted: Trace,
    trend: Trace,
}

impl Story {
    fn new(
        first_code: u8,
        heading: &'static str,
        name: &'static str,
        before: &Curve,
        deviation: &Curve,
        plan: &Plan,
    ) -> Story {
        let trace = |place, what: &'static str, ink, manner, width, curve: &Curve| Trace {
            code: first_code + place,
            name: text!("{}, {}", name, what),
            ink,
            manner,
            width,
            values: curve.values_db().to_vec(),
        };
        use Manner::{Dashed, Dotted, Plain};
        Story {
            heading,
            before: trace(0, "before", Ink::Before, Plain, 7, before),
            after: trace(
                1,
                "after",
                Ink::After,
                Plain,
                14,
                &plan.prediction.after(before),
            ),
            wanted: trace(2, "target", Ink::Wanted, Dashed, 6, &(before - deviation)),
            trend: trace(
                3,
                "trend before",
                Ink::Before,
                Dotted,
                7,
                &plan.trend(before),
            ),
        }
    }

    /// In the order in which they are drawn.
    fn traces(&self) -> [&Trace; 4] {
        [&self.trend, &self.before, &self.after, &self.wanted]
    }

    /// Lowest and highest level of the panel, multiples of 5 dB: all curves within the judged
    /// band, with some air.
    fn levels_db(&self, judged: &std::ops::Range<usize>) -> (f64, f64) {
        let within = |trace: &&Trace| trace.values[judged.clone()].to_vec();
        let values: Vec<f64> = self.traces().iter().flat_map(within).collect();
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let least = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = (5.0 * ((most + 2.0) / 5.0).ceil()).max(5.0);
        let low = 5.0 * ((least - 2.0) / 5.0).floor();
        (low.min(high - LEAST_SPAN_DB).max(high - MOST_SPAN_DB), high)
    }
}

/// How the strip is to be read; short enough for a phone.
const STRIP_HEADING: &str = "What is done where (filled as far as corrected)";

/// Draws the picture.
///
/// # Errors
/// When the drawing surface refuses a mark.
pub fn draw(plan: &Plan) -> Result<Picture> {
    let audit = &plan.audit;
    let freqs_hz = audit.grid.freqs_hz();
    let mut stories = vec![Story::new(
        1,
        "Listening window, dB",
        "listening window",
        &plan.window_before(),
        &audit.deviations.window,
        plan,
    )];
    if let Some(in_room) = plan.in_room_before() {
        stories.push(Story::new(
            5,
            "In-room curve, dB",
            "in-room",
            &in_room,
            &audit.deviations.in_room,
            plan,
        ));
    }
    let judged = audit.grid.range(audit.judged.from_hz, audit.judged.to_hz);
    let levels: Vec<(f64, f64)> = stories
        .iter()
        .map(|story| story.levels_db(&judged))
        .collect();
    let units_per_db = f64::from(UNITS_PER_DECADE) / DB_PER_DECADE;

    let mut top = 0;
    let mut places = Vec::new();
    for (low, high) in &levels {
        let height = ((high - low) * units_per_db).round() as i32;
        places.push((top + HEADING_HEIGHT, top + HEADING_HEIGHT + height));
        top += HEADING_HEIGHT + height;
    }
    let strip_top = top + HEADING_HEIGHT;
    let strip_bottom = strip_top + ROW_HEIGHT * (to_read(plan).count().max(1) as i32);
    let height = strip_bottom + AXIS_HEIGHT;

    let marks = drawn(height, |surface| {
        for ((story, levels), place) in stories.iter().zip(&levels).zip(&places) {
            draw_story(surface, plan, story, *levels, *place)?;
        }
        draw_strip(surface, plan, (strip_top, strip_bottom))?;
        frequency_words(surface, strip_bottom)
    })?;
    let traces: Vec<Trace> = stories
        .into_iter()
        .flat_map(|story| [story.before, story.after, story.wanted, story.trend])
        .collect();
    Ok(Picture {
        key: "response",
        title: "Frequency response before and after, and what is done where",
        description: describe(plan),
        height,
        scale: text! {
            "Dotted: the trend of what was measured, over {}. {} of level are as high as a decade of frequency is wide (IEC 60263).",
            exact(TREND_OCT, "octave"), exact(DB_PER_DECADE, "dB")
        },
        marks,
        freqs_hz: freqs_hz.to_vec(),
        traces,
        switchable: true,
    })
}

fn describe(plan: &Plan) -> Text {
    let audit = &plan.audit;
    let mut said = text! {
        "Level over frequency from 20 Hz to 20 kHz. Deviation of listening window and in-room curve from their targets: {} rms before, {} after. Judged from {} to {}.",
        db(plan.mendable.before_db, 1), db(plan.mendable.after_db, 1),
        hz(audit.judged.from_hz), hz(audit.judged.to_hz)
    };
    for (number, finding) in to_read(plan) {
        said += text! {
            " {}: {} at {}, {}.",
            number, cause(finding.cause), hz(finding.peak_hz), decided(finding)
        };
    }
    said
}

fn draw_story(
    surface: &Surface,
    plan: &Plan,
    story: &Story,
    levels: (f64, f64),
    place: (i32, i32),
) -> Result<()> {
    let area = level_panel(surface, plan, story.heading, place, levels, 5.0)?;
    let freqs_hz = plan.audit.grid.freqs_hz();
    draw_traces(&area, freqs_hz, story.traces(), levels)?;
    name_curves(surface, &area, plan, story)
}

/// Writes the names of the curves where they lie furthest apart.
fn name_curves(surface: &Surface, area: &Panel, plan: &Plan, story: &Story) -> Result<()> {
    let freqs_hz = plan.audit.grid.freqs_hz();
    let judged = plan
        .audit
        .grid
        .range(plan.audit.judged.from_hz, plan.audit.judged.to_hz);
    let apart = |i: &usize| (story.before.values[*i] - story.after.values[*i]).abs();
    let roomy = |i: &usize| (30.0..12_000.0).contains(&freqs_hz[*i]);
    let Some(i) = judged
        .filter(roomy)
        .max_by(|a, b| apart(a).total_cmp(&apart(b)))
    else {
        return Ok(());
    };
    let x = x_of(freqs_hz[i]);
    let before_is_above = story.before.values[i] >= story.after.values[i];
    for (trace, name, above) in [
        (&story.before, "before", before_is_above),
        (&story.after, "after", !before_is_above),
    ] {
        let (_, y) = area.map_coordinate(&(freqs_hz[i], trace.values[i]));
        let (hang, y) = if above {
            (Hang::Above, y - 25)
        } else {
            (Hang::Below, y + 25)
        };
        words(surface, name, (x, y), hang, trace.ink, trace.code)?;
    }
    let (_, y) = area.map_coordinate(&(FROM_HZ, story.wanted.values[0]));
    words(
        surface,
        "target",
        (x_of(freqs_hz[0]) + 30, y - 72),
        Hang::Right,
        story.wanted.ink,
        story.wanted.code,
    )
}

/// One row for each finding: a frame as wide as the finding, filled as far as it is corrected.
fn draw_strip(surface: &Surface, plan: &Plan, place: (i32, i32)) -> Result<()> {
    let count = to_read(plan).count();
    let rows = count.max(1) as f64;
    let area = panel(surface, place.0, place.1, rows, 0.0);
    let (from_hz, to_hz) = (plan.audit.judged.from_hz, plan.audit.judged.to_hz);
    let shade = pen(Ink::Shade, 0, Manner::Plain);
    for outside in [(FROM_HZ, from_hz), (to_hz, TO_HZ)] {
        if outside.0 < outside.1 {
            block(&area, outside, (0.0, rows), shade, 1.0)?;
        }
    }
    frequency_lines(&area, 0.0, rows)?;
    heading(surface, STRIP_HEADING, place.0)?;
    if count == 0 {
        let middle = ((LEFT + RIGHT) / 2, (place.0 + place.1) / 2);
        return words(
            surface,
            "nothing significant found",
            middle,
            Hang::Middle,
            Ink::Quiet,
            0,
        );
    }
    for (number, finding) in to_read(plan) {
        draw_row(surface, number, finding, place.0)?;
    }
    Ok(())
}

fn draw_row(surface: &Surface, number: usize, finding: &Finding, strip_top: i32) -> Result<()> {
    let row = number - 1;
    let (from_hz, to_hz) = (finding.from_hz.max(FROM_HZ), finding.to_hz.min(TO_HZ));
    let top = strip_top + row as i32 * ROW_HEIGHT;
    draw_box(surface, finding, top + 22, top + ROW_HEIGHT - 22)?;
    let said = text!("{} {}, {}", number, cause(finding.cause), decided(finding));
    let y = strip_top + row as i32 * ROW_HEIGHT + ROW_HEIGHT / 2;
    // Words stand on the side that has more room.
    let (left, right) = (x_of(from_hz) - LEFT, RIGHT - x_of(to_hz));
    let (x, hang) = if right >= left {
        (x_of(to_hz) + 35, Hang::Right)
    } else {
        (x_of(from_hz) - 35, Hang::Left)
    };
    words(surface, &said.to_string(), (x, y), hang, Ink::Words, 0)
}
