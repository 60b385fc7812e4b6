//! What the pictures with a level axis share: ground, headings and curves.

use super::palette::Ink;
use super::picture::Trace;
use super::sheet::{
    FROM_HZ, Hang, LEFT, Manner, Panel, Surface, TO_HZ, block, curve, frequency_lines, level_lines,
    panel, pen, put, words,
};
use super::words::finding::to_read;
use crate::error::Result;
use crate::findings::{Decision, Finding};
use crate::predict::Plan;
use plotters::prelude::{Color, PathElement};

/// dB that take as much height as a decade takes width. Source: IEC 60263 (25 dB per decade is
/// one of its ratios; value from memory).
pub const DB_PER_DECADE: f64 = 25.0;

/// Words over a panel whose upper edge is at `top`.
pub fn heading(surface: &Surface, text: &str, top: i32) -> Result<()> {
    let place = (LEFT, top - 72);
    words(surface, text, place, Hang::Right, Ink::Words, 0)
}

/// A panel from `place.0` down to `place.1` with ground, lines, words along its level axis and a
/// heading.
pub fn level_panel<'a>(
    surface: &Surface<'a>,
    plan: &Plan,
    text: &str,
    place: (i32, i32),
    levels_db: (f64, f64),
    step_db: f64,
) -> Result<Panel<'a>> {
    let (low, high) = levels_db;
    let area = panel(surface, place.0, place.1, low, high);
    draw_ground(&area, plan, low, high)?;
    frequency_lines(&area, low, high)?;
    level_lines(surface, &area, levels_db, step_db)?;
    heading(surface, text, place.0)?;
    Ok(area)
}

/// Draws curves in their order, the last one on top, where they lie within `levels_db`.
pub fn draw_traces<'a>(
    area: &Panel,
    freqs_hz: &[f64],
    traces: impl IntoIterator<Item = &'a Trace>,
    levels_db: (f64, f64),
) -> Result<()> {
    for trace in traces {
        let values = trace.values.iter().copied();
        let points: Vec<(f64, f64)> = freqs_hz.iter().copied().zip(values).collect();
        let colour = pen(trace.ink, trace.code, trace.manner);
        curve(area, &points, levels_db.0, levels_db.1, colour, trace.width)?;
    }
    Ok(())
}

/// Shades what is not judged and tints what is not fully corrected.
fn draw_ground(panel: &Panel, plan: &Plan, low: f64, high: f64) -> Result<()> {
    let audit = &plan.audit;
    let shade = pen(Ink::Shade, 0, Manner::Plain);
    if audit.judged.from_hz > FROM_HZ {
        block(
            panel,
            (FROM_HZ, audit.judged.from_hz),
            (low, high),
            shade,
            1.0,
        )?;
    }
    if audit.judged.to_hz < TO_HZ {
        block(panel, (audit.judged.to_hz, TO_HZ), (low, high), shade, 1.0)?;
    }
    let tint = pen(Ink::Left, 0, Manner::Plain);
    for stretch in not_mended(plan) {
        block(panel, stretch, (low, high), tint, TINT)?;
    }
    Ok(())
}

/// Opacity of the tint: to be seen under a curve and no stronger.
const TINT: f64 = 0.11;

/// The stretches of frequency, apart from each other, in which something is left alone or only
/// softened.
fn not_mended(plan: &Plan) -> Vec<(f64, f64)> {
    let mut stretches: Vec<(f64, f64)> = to_read(plan)
        .map(|(_, finding)| finding)
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

/// A frame as wide as a finding, filled as far as it is corrected.
pub fn draw_box(surface: &Surface, finding: &Finding, top: i32, bottom: i32) -> Result<()> {
    let colour = pen(Ink::of(finding.decision), 0, Manner::Plain);
    let hz = (finding.from_hz.max(FROM_HZ), finding.to_hz.min(TO_HZ));
    let area = panel(surface, top, bottom, 0.0, 1.0);
    block(
        &area,
        hz,
        (0.0, finding.undone.clamp(0.0, 1.0)),
        colour,
        1.0,
    )?;
    let frame = vec![
        (hz.0, 0.0),
        (hz.0, 1.0),
        (hz.1, 1.0),
        (hz.1, 0.0),
        (hz.0, 0.0),
    ];
    put(&area, &PathElement::new(frame, colour.stroke_width(9)))
}
