//! Listening window and in-room curve, before and after, over a strip that says what is done
//! where and why.

use super::palette::Ink;
use super::picture::{Picture, Trace, cause_words, decision_ink, decision_words};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, LEFT, Manner, Panel, RIGHT, Surface, TO_HZ, UNITS_PER_DECADE,
    block, curve, drawn, frequency_lines, frequency_words, level_lines, panel, pen, put, words,
    x_of,
};
use crate::audit::{Decision, Finding, spoken_hz};
use crate::error::Result;
use crate::predict::Plan;
use plotters::prelude::{Color, PathElement};

/// dB that take as much height as a decade takes width. Source: IEC 60263 (25 dB per decade is
/// one of its ratios; value from memory).
pub const DB_PER_DECADE: f64 = 25.0;

/// Least height of a panel, dB; a flat curve in a lower one would look livelier than it is.
const LEAST_SPAN_DB: f64 = 25.0;
/// Greatest height of a panel, dB: curves beyond are cut off.
const MOST_SPAN_DB: f64 = 60.0;

/// Room for a panel's heading.
const HEADING_HEIGHT: i32 = 180;
/// Height of one finding in the strip.
const ROW_HEIGHT: i32 = 128;

/// Three curves that belong together.
struct Story {
    heading: &'static str,
    before: Trace,
    after: Trace,
    wanted: Trace,
}

impl Story {
    fn new(
        first_code: u8,
        heading: &'static str,
        name: &str,
        before_db: Vec<f64>,
        deviation_db: &[f64],
        plan: &Plan,
    ) -> Story {
        let gains_db = &plan.prediction.audit_gains_db;
        let level_db = plan.level_change_db();
        let sum = |a: &[f64], b: &[f64], sign: f64| {
            a.iter()
                .zip(b)
                .map(|(a, b)| a + sign * b)
                .collect::<Vec<f64>>()
        };
        let wanted_db = sum(&before_db, deviation_db, -1.0);
        let mut after_db = sum(&before_db, gains_db, 1.0);
        after_db.iter_mut().for_each(|v| *v -= level_db);
        let trace = |code, what: &str, ink, manner, width, values| Trace {
            code,
            name: format!("{name}, {what}"),
            ink,
            manner,
            width,
            values,
        };
        Story {
            heading,
            before: trace(
                first_code,
                "before",
                Ink::Before,
                Manner::Plain,
                7,
                before_db,
            ),
            after: trace(
                first_code + 1,
                "after",
                Ink::After,
                Manner::Plain,
                14,
                after_db,
            ),
            wanted: trace(
                first_code + 2,
                "target",
                Ink::Wanted,
                Manner::Dashed,
                6,
                wanted_db,
            ),
        }
    }

    fn traces(&self) -> [&Trace; 3] {
        [&self.before, &self.after, &self.wanted]
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

/// Draws the picture.
///
/// # Errors
/// When the drawing surface refuses a mark.
pub fn draw(plan: &Plan) -> Result<Picture> {
    let audit = &plan.audit;
    let freqs_hz = audit.grid.freqs_hz();
    let target_db = plan.target.levels_db(&audit.grid);
    let window_db = audit
        .deviations
        .window_db
        .iter()
        .zip(&target_db)
        .map(|(d, t)| d + t)
        .collect();
    let mut stories = vec![Story::new(
        1,
        "Listening window, dB",
        "listening window",
        window_db,
        &audit.deviations.window_db,
        plan,
    )];
    if let Some(in_room_db) = plan.in_room_before_db() {
        stories.push(Story::new(
            4,
            "In-room curve, dB",
            "in-room",
            in_room_db,
            &audit.deviations.in_room_db,
            plan,
        ));
    }
    let judged = audit.grid.range(audit.judged_from_hz, audit.judged_to_hz);
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
    let strip_bottom = strip_top + ROW_HEIGHT * (audit.findings.len().max(1) as i32);
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
        .flat_map(|story| [story.before, story.after, story.wanted])
        .collect();
    Ok(Picture {
        key: "response",
        title: "Frequency response before and after, and what is done where".into(),
        description: describe(plan),
        height,
        scale: format!(
            "{DB_PER_DECADE} dB of level are as high as a decade of frequency is wide (IEC 60263)."
        ),
        marks,
        freqs_hz: freqs_hz.to_vec(),
        traces,
        switchable: true,
    })
}

fn describe(plan: &Plan) -> String {
    let audit = &plan.audit;
    let mut text = format!(
        "Level over frequency from 20 Hz to 20 kHz. Deviation of listening window and in-room curve from their targets: {:.1} dB rms before, {:.1} dB after. Judged from {} to {}.",
        plan.deviation_before_db(),
        plan.deviation_after_db(),
        spoken_hz(audit.judged_from_hz),
        spoken_hz(audit.judged_to_hz),
    );
    for (number, finding) in (1..).zip(&audit.findings) {
        text += &format!(
            " {number}: {} at {}, {}.",
            cause_words(finding.cause),
            spoken_hz(finding.peak_hz),
            decision_words(finding)
        );
    }
    text
}

/// Shades what is not judged and tints what is not fully corrected.
pub(super) fn draw_ground(panel: &Panel, plan: &Plan, low: f64, high: f64) -> Result<()> {
    let audit = &plan.audit;
    let shade = pen(Ink::Shade, 0, Manner::Plain);
    if audit.judged_from_hz > FROM_HZ {
        block(
            panel,
            (FROM_HZ, audit.judged_from_hz),
            (low, high),
            shade,
            1.0,
        )?;
    }
    if audit.judged_to_hz < TO_HZ {
        block(panel, (audit.judged_to_hz, TO_HZ), (low, high), shade, 1.0)?;
    }
    let tint = pen(Ink::Left, 0, Manner::Plain);
    for stretch in not_mended(&audit.findings) {
        block(panel, stretch, (low, high), tint, TINT)?;
    }
    Ok(())
}

/// Opacity of the tint: to be seen under a curve and no stronger.
const TINT: f64 = 0.11;

/// The stretches of frequency, apart from each other, in which something is left alone or only
/// softened.
fn not_mended(findings: &[Finding]) -> Vec<(f64, f64)> {
    let mut stretches: Vec<(f64, f64)> = findings
        .iter()
        .filter(|f| f.decision != Decision::Correct && f.q.is_some())
        .map(|f| (f.from_hz, f.to_hz))
        .collect();
    stretches.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut apart: Vec<(f64, f64)> = Vec::new();
    for (from_hz, to_hz) in stretches {
        match apart.last_mut() {
            Some(last) if from_hz <= last.1 => last.1 = last.1.max(to_hz),
            _ => apart.push((from_hz, to_hz)),
        }
    }
    apart
}

fn draw_story(
    surface: &Surface,
    plan: &Plan,
    story: &Story,
    levels: (f64, f64),
    place: (i32, i32),
) -> Result<()> {
    let (low, high) = levels;
    let area = panel(surface, place.0, place.1, low, high);
    draw_ground(&area, plan, low, high)?;
    frequency_lines(&area, low, high)?;
    level_lines(surface, &area, levels, 5.0, "")?;
    words(
        surface,
        story.heading,
        (LEFT, place.0 - 72),
        Hang::Right,
        Ink::Words,
        0,
    )?;
    let freqs_hz = plan.audit.grid.freqs_hz();
    for trace in story.traces() {
        let points: Vec<(f64, f64)> = freqs_hz
            .iter()
            .copied()
            .zip(trace.values.iter().copied())
            .collect();
        curve(
            &area,
            &points,
            low,
            high,
            pen(trace.ink, trace.code, trace.manner),
            trace.width,
        )?;
    }
    name_curves(surface, &area, plan, story)
}

/// Writes the names of the curves where they lie furthest apart.
fn name_curves(surface: &Surface, area: &Panel, plan: &Plan, story: &Story) -> Result<()> {
    let freqs_hz = plan.audit.grid.freqs_hz();
    let judged = plan
        .audit
        .grid
        .range(plan.audit.judged_from_hz, plan.audit.judged_to_hz);
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
    let findings = &plan.audit.findings;
    let rows = findings.len().max(1) as f64;
    let area = panel(surface, place.0, place.1, rows, 0.0);
    let (from_hz, to_hz) = (plan.audit.judged_from_hz, plan.audit.judged_to_hz);
    let shade = pen(Ink::Shade, 0, Manner::Plain);
    for outside in [(FROM_HZ, from_hz), (to_hz, TO_HZ)] {
        if outside.0 < outside.1 {
            block(&area, outside, (0.0, rows), shade, 1.0)?;
        }
    }
    frequency_lines(&area, 0.0, rows)?;
    let heading = "What is done where (full box: corrected)";
    words(
        surface,
        heading,
        (LEFT, place.0 - 72),
        Hang::Right,
        Ink::Words,
        0,
    )?;
    if findings.is_empty() {
        let middle = ((LEFT + RIGHT) / 2, (place.0 + place.1) / 2);
        return words(
            surface,
            "nothing worth speaking of",
            middle,
            Hang::Middle,
            Ink::Quiet,
            0,
        );
    }
    for (row, finding) in findings.iter().enumerate() {
        draw_row(surface, row, finding, place.0)?;
    }
    Ok(())
}

fn draw_row(surface: &Surface, row: usize, finding: &Finding, strip_top: i32) -> Result<()> {
    let (from_hz, to_hz) = (finding.from_hz.max(FROM_HZ), finding.to_hz.min(TO_HZ));
    let top = strip_top + row as i32 * ROW_HEIGHT;
    draw_box(surface, finding, top + 22, top + ROW_HEIGHT - 22)?;
    let text = format!(
        "{} {}, {}",
        row + 1,
        cause_words(finding.cause),
        decision_words(finding)
    );
    let y = strip_top + row as i32 * ROW_HEIGHT + ROW_HEIGHT / 2;
    // Words stand on the side that has more room.
    let (left, right) = (x_of(from_hz) - LEFT, RIGHT - x_of(to_hz));
    if right >= left {
        words(
            surface,
            &text,
            (x_of(to_hz) + 35, y),
            Hang::Right,
            Ink::Words,
            0,
        )
    } else {
        words(
            surface,
            &text,
            (x_of(from_hz) - 35, y),
            Hang::Left,
            Ink::Words,
            0,
        )
    }
}

/// A frame as wide as a finding, filled as far as it is corrected.
pub(super) fn draw_box(surface: &Surface, finding: &Finding, top: i32, bottom: i32) -> Result<()> {
    let colour = pen(decision_ink(finding.decision), 0, Manner::Plain);
    let hz = (finding.from_hz.max(FROM_HZ), finding.to_hz.min(TO_HZ));
    let area = panel(surface, top, bottom, 0.0, 1.0);
    block(&area, hz, (0.0, finding.share.clamp(0.0, 1.0)), colour, 1.0)?;
    let frame = vec![
        (hz.0, 0.0),
        (hz.0, 1.0),
        (hz.1, 1.0),
        (hz.1, 0.0),
        (hz.0, 0.0),
    ];
    put(&area, &PathElement::new(frame, colour.stroke_width(9)))
}
