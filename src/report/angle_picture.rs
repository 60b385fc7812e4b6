//! All angles as a map over frequency, relative to the listening window: what the angles share
//! vanishes, and what is left is what no filter can change.

use super::palette::{Ink, STEP_COUNT, STEPS_DB, step_of};
use super::picture::{Picture, Trace};
use super::plot::{draw_box, heading};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, LEFT, Manner, Panel, RIGHT, Surface, TO_HZ, axis_title, block,
    drawn, frequency_words, level_word, panel, pen, put, step_pen, words, x_of,
};
use super::span::{Text, exact, text};
use super::words::finding::{reason, to_read};
use crate::error::Result;
use crate::findings::{Decision, Finding};
use crate::predict::{AngleLevels, Plan};
use crate::response::Orbit;
use plotters::prelude::{Color, PathElement};

/// Height of a map from -180 to 180 degrees.
const MAP_HEIGHT: i32 = 1300;
/// Room for a map's heading.
const HEADING_HEIGHT: i32 = 190;
/// Height of one lane of findings over a map.
const LANE_HEIGHT: i32 = 112;
/// Width of a finding's number, with some air.
const NUMBER_WIDTH: i32 = 190;
/// Room for the key to the colours.
const KEY_HEIGHT: i32 = 350;
/// Between measured angles nearer than this the map is filled by straight lines, degrees; wider
/// gaps stay empty. Three steps of the usual orbit.
const WIDEST_GAP_DEG: f64 = 30.0;
/// Height of a map's rows, degrees.
const ROW_DEG: f64 = 2.5;

/// What the picture shows.
pub const TITLE: &str = "Every angle against the listening window";

/// How the lanes over the maps are to be read; short enough for a phone.
const LANES_HEADING: &str = "Findings by number (filled as far as corrected)";

/// Draws the picture; `None` where no orbit was measured.
///
/// # Errors
/// When the drawing surface refuses a mark.
pub fn draw(plan: &Plan) -> Result<Option<Picture>> {
    let maps: Vec<AngleLevels> = [Orbit::Horizontal, Orbit::Vertical]
        .into_iter()
        .filter_map(|orbit| plan.angles_against_window(orbit))
        .collect();
    if maps.is_empty() {
        return Ok(None);
    }
    let findings: Vec<(usize, &Finding)> = to_read(plan).filter(|(_, f)| f.q.is_some()).collect();
    let lanes = lanes(&findings);
    let lane_count = lanes.iter().copied().max().map_or(0, |most| most + 1);
    // The boxes stand once, over the first map; the lines go down through all.
    let lanes_top = if findings.is_empty() {
        0
    } else {
        HEADING_HEIGHT - 50
    };
    let maps_top = lanes_top + LANE_HEIGHT * lane_count;
    let map_room = HEADING_HEIGHT + MAP_HEIGHT;
    let bottom = maps_top + map_room * maps.len() as i32;
    let height = bottom + AXIS_HEIGHT + KEY_HEIGHT;
    let marks = drawn(height, |surface| {
        if !findings.is_empty() {
            heading(surface, LANES_HEADING, lanes_top)?;
        }
        for ((number, finding), lane) in findings.iter().zip(&lanes) {
            draw_lane(surface, *number, finding, lanes_top + lane * LANE_HEIGHT)?;
        }
        for (place, map) in (0..).zip(&maps) {
            let top = maps_top + place * map_room + HEADING_HEIGHT;
            let text = match map.orbit {
                Orbit::Horizontal => "Horizontal angle, degrees",
                Orbit::Vertical => "Vertical angle, degrees (up is positive)",
            };
            heading(surface, text, top)?;
            let area = panel(surface, top, top + MAP_HEIGHT, -180.0, 180.0);
            fill(&area, plan.audit.grid.freqs_hz(), map)?;
            angle_words(surface, &area)?;
            for (_, finding) in &findings {
                mark(&area, finding)?;
            }
        }
        frequency_words(surface, bottom)?;
        key(surface, bottom + AXIS_HEIGHT)
    })?;
    let traces = maps.iter().flat_map(rows_as_traces).collect();
    Ok(Some(Picture {
        key: "angles",
        title: TITLE,
        description: describe(plan, &maps),
        height,
        scale: text! {
            "Between measured angles no more than {} apart straight lines are drawn; wider gaps stay empty.",
            exact(WIDEST_GAP_DEG, "degrees")
        },
        numbers: Text::default(),
        marks,
        freqs_hz: plan.audit.grid.freqs_hz().to_vec(),
        traces,
        switchable: false,
    }))
}

fn rows_as_traces(map: &AngleLevels) -> Vec<Trace> {
    map.angles_deg
        .iter()
        .zip(&map.levels_db)
        .map(|(angle_deg, levels_db)| Trace {
            code: 0,
            name: text!("{} {}", map.orbit.name(), exact(*angle_deg, "")),
            ink: Ink::Words,
            manner: Manner::Plain,
            width: 0,
            values: levels_db.clone(),
        })
        .collect()
}

fn describe(plan: &Plan, maps: &[AngleLevels]) -> Text {
    let mut said = text! {
        "Map of level over frequency and {} angle, each angle relative to the listening window at the same frequency, in steps.",
        Text::joined(maps.iter().map(|map| map.orbit.name()), " and ")
    };
    for (number, finding) in to_read(plan) {
        if finding.decision != Decision::Correct && finding.q.is_some() {
            said += text!(" Marked {}: {}.", number, reason(finding));
        }
    }
    said
}

/// For each finding the lane over a map in which its box stands, so that no two touch.
fn lanes(findings: &[(usize, &Finding)]) -> Vec<i32> {
    let mut ends: Vec<i32> = Vec::new();
    findings
        .iter()
        .map(|(_, finding)| {
            let (start, end) = (x_of(finding.from_hz), x_of(finding.to_hz) + NUMBER_WIDTH);
            let free = ends.iter().position(|last| start > *last);
            let lane = free.unwrap_or(ends.len());
            if lane == ends.len() {
                ends.push(end);
            } else {
                ends[lane] = end;
            }
            lane as i32
        })
        .collect()
}

/// Fills the map, one colour at a time; neighbours of one step along a row are one box.
fn fill(area: &Panel, freqs_hz: &[f64], map: &AngleLevels) -> Result<()> {
    // Every second frequency: 24 columns an octave are as wide as a line.
    let columns: Vec<usize> = (0..freqs_hz.len()).step_by(2).collect();
    let mut boxes: Vec<Vec<[(f64, f64); 2]>> = vec![Vec::new(); usize::from(STEP_COUNT)];
    let rows = (360.0 / ROW_DEG) as i32;
    for row in 0..rows {
        let low_deg = -180.0 + f64::from(row) * ROW_DEG;
        let Some(between) = neighbours(&map.angles_deg, low_deg + 0.5 * ROW_DEG) else {
            continue;
        };
        let step_at = |column: usize| {
            let level = |k: usize| map.levels_db[k][columns[column]];
            step_of(
                level(between.below) * (1.0 - between.share) + level(between.above) * between.share,
            )
        };
        let mut start = 0;
        for column in 1..=columns.len() {
            if column < columns.len() && step_at(column) == step_at(start) {
                continue;
            }
            let edge = |column: usize| match column {
                0 => freqs_hz[0],
                c if c >= columns.len() => freqs_hz[freqs_hz.len() - 1],
                c => (freqs_hz[columns[c - 1]] * freqs_hz[columns[c]]).sqrt(),
            };
            boxes[usize::from(step_at(start))]
                .push([(edge(start), low_deg), (edge(column), low_deg + ROW_DEG)]);
            start = column;
        }
    }
    for (step, boxes) in (0..).zip(boxes) {
        for [a, b] in boxes {
            block(area, (a.0, b.0), (a.1, b.1), step_pen(step), 1.0)?;
        }
    }
    Ok(())
}

/// Two measured angles and a place between them.
struct Between {
    below: usize,
    above: usize,
    share: f64,
}

fn neighbours(angles_deg: &[f64], at_deg: f64) -> Option<Between> {
    let above = angles_deg.partition_point(|angle| *angle < at_deg);
    if above == 0 || above == angles_deg.len() {
        return None;
    }
    let (a, b) = (angles_deg[above - 1], angles_deg[above]);
    (b - a <= WIDEST_GAP_DEG).then(|| Between {
        below: above - 1,
        above,
        share: (at_deg - a) / (b - a),
    })
}

fn angle_words(surface: &Surface, area: &Panel) -> Result<()> {
    for angle in [-180, -120, -60, 0, 60, 120, 180] {
        let (_, y) = area.map_coordinate(&(FROM_HZ, f64::from(angle)));
        words(
            surface,
            &angle.to_string(),
            (LEFT - 25, y),
            Hang::Left,
            Ink::Words,
            0,
        )?;
    }
    let zero = pen(Ink::MapMark, 0, Manner::Dotted);
    put(
        area,
        &PathElement::new(vec![(FROM_HZ, 0.0), (TO_HZ, 0.0)], zero.stroke_width(5)),
    )
}

/// A finding's box over the maps, filled as far as it is corrected, with its number beside it.
fn draw_lane(surface: &Surface, number: usize, finding: &Finding, top: i32) -> Result<()> {
    draw_box(surface, finding, top + 24, top + LANE_HEIGHT - 24)?;
    let y = top + LANE_HEIGHT / 2;
    let right = x_of(finding.to_hz) + 30;
    let (x, hang) = if right > RIGHT - 60 {
        (x_of(finding.from_hz) - 30, Hang::Left)
    } else {
        (right, Hang::Right)
    };
    words(surface, &number.to_string(), (x, y), hang, Ink::Words, 0)
}

/// A line through the map where something is largest that is not corrected in full.
fn mark(area: &Panel, finding: &Finding) -> Result<()> {
    if finding.decision == Decision::Correct || !(FROM_HZ..=TO_HZ).contains(&finding.peak_hz) {
        return Ok(());
    }
    let line = vec![(finding.peak_hz, 180.0), (finding.peak_hz, -180.0)];
    let edge = pen(Ink::MapEdge, 0, Manner::Plain);
    put(area, &PathElement::new(line.clone(), edge.stroke_width(14)))?;
    let over = pen(Ink::MapMark, 0, Manner::Dashed);
    put(area, &PathElement::new(line, over.stroke_width(7)))
}

/// The key to the colours: one box for each step.
fn key(surface: &Surface, top: i32) -> Result<()> {
    let area = panel(surface, top + 20, top + 110, 0.0, 1.0);
    let width = (RIGHT - LEFT) / i32::from(STEP_COUNT);
    // The panel's axis is logarithmic; these are the frequencies at equal distances on it.
    let hz = |k: u8| FROM_HZ * (TO_HZ / FROM_HZ).powf(f64::from(k) / f64::from(STEP_COUNT));
    for step in 0..STEP_COUNT {
        block(
            &area,
            (hz(step), hz(step + 1)),
            (0.0, 1.0),
            step_pen(step),
            1.0,
        )?;
    }
    for (k, level_db) in (1..).zip(STEPS_DB) {
        words(
            surface,
            &level_word(level_db),
            (LEFT + k * width, top + 165),
            Hang::Middle,
            Ink::Words,
            0,
        )?;
    }
    axis_title(surface, "dB over the listening window", top + 300)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wide_gaps_between_angles_stay_empty() {
        let angles = [0.0, 10.0, 60.0];
        assert!(neighbours(&angles, 5.0).is_some_and(|b| (b.share - 0.5).abs() < 1e-12));
        assert!(neighbours(&angles, 30.0).is_none());
        assert!(neighbours(&angles, -1.0).is_none() && neighbours(&angles, 61.0).is_none());
    }
}
