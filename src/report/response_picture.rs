//! Listening window and in-room curve, before and after, over a strip that says what is done
//! where and why. The findings are numbered on the listening window.

use super::marker::{Around, CLEAR, Marker, Patch, Spot, Wanted, marks, placed};
use super::palette::Ink;
use super::picture::{Picture, Trace};
use super::plot::{DB_PER_DECADE, draw_box, draw_traces, heading, level_panel};
use super::sheet::{
    AXIS_HEIGHT, FROM_HZ, Hang, LEFT, Manner, Panel, RIGHT, Surface, TO_HZ, UNITS_PER_DECADE,
    block, drawn, frequency_lines, frequency_words, panel, pen, words, x_of,
};
use super::span::{Text, db, exact, hz, text};
use super::words::finding::{cause, decided, sure_word, to_read};
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
    let mut levels: Vec<(f64, f64)> = stories
        .iter()
        .map(|story| story.levels_db(&judged))
        .collect();
    let rings = rings(plan, &stories[0], levels[0]);
    levels[0] = with_rings(levels[0], &rings);

    let mut top = 0;
    let mut places = Vec::new();
    for (low, high) in &levels {
        let height = ((high - low) * UNITS_PER_DB).round() as i32;
        places.push((top + HEADING_HEIGHT, top + HEADING_HEIGHT + height));
        top += HEADING_HEIGHT + height;
    }
    let strip_top = top + HEADING_HEIGHT;
    let strip_bottom = strip_top + ROW_HEIGHT * (to_read(plan).count().max(1) as i32);
    let height = strip_bottom + AXIS_HEIGHT;

    let curves_and_strip = drawn(height, |surface| {
        for (place, story) in stories.iter().enumerate() {
            let rings = if place == 0 { &rings[..] } else { &[] };
            draw_story(surface, plan, story, levels[place], places[place], rings)?;
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
        numbers: match rings.is_empty() {
            true => Text::default(),
            false => "Numbered rings: the findings, at their place on the listening window; full where sure, half full where likely, thin where doubtful.".into(),
        },
        marks: curves_and_strip + &marks(&markers(plan, &rings, levels[0], places[0].0)),
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
    if to_read(plan).next().is_some() {
        said += " Each finding is numbered at its place on the listening window.";
    }
    for (number, finding) in to_read(plan) {
        said += text!(" {}.", in_short(number, finding));
    }
    said
}

/// A finding in one line: number, what it is, where, what is done, how sure.
fn in_short(number: usize, finding: &Finding) -> Text {
    text! {
        "{}: {} at {}, {}, {}",
        number, cause(finding.cause), hz(finding.peak_hz), decided(finding), sure_word(finding.sure)
    }
}

/// Height of a decibel.
const UNITS_PER_DB: f64 = UNITS_PER_DECADE as f64 / DB_PER_DECADE;

/// A finding's place on the curve and the centre of its ring.
struct Ring {
    foot: Spot,
    centre: Spot,
}

/// A ring for each finding that is read, on the curve before, in a panel of `levels_db`.
fn rings(plan: &Plan, story: &Story, levels_db: (f64, f64)) -> Vec<Ring> {
    let grid = &plan.audit.grid;
    let freqs_hz = grid.freqs_hz();
    let panel = (levels_db.0 * UNITS_PER_DB, levels_db.1 * UNITS_PER_DB);
    let feet = to_read(plan).map(|(_, finding)| Spot {
        x: f64::from(x_of(finding.peak_hz)),
        up: UNITS_PER_DB * story.before.values[grid.nearest(finding.peak_hz)],
    });
    let feet: Vec<Spot> = feet.collect();
    let wanted: Vec<Wanted> = to_read(plan)
        .zip(&feet)
        .map(|((_, finding), foot)| Wanted {
            foot: within(*foot, panel),
            is_bump: finding.size_db >= 0.0,
        })
        .collect();
    let around = Around {
        curves: &pieces(story, freqs_hz),
        words: &[target_word(story, freqs_hz)],
        panel,
    };
    let rings = feet.into_iter().zip(placed(&wanted, &around));
    rings.map(|(foot, centre)| Ring { foot, centre }).collect()
}

/// The place on the curve, or the end of the panel where the curve is cut off.
fn within(foot: Spot, panel: (f64, f64)) -> Spot {
    Spot {
        up: foot.up.clamp(panel.0, panel.1),
        ..foot
    }
}

/// The pieces of all curves of a panel, from frequency to frequency.
fn pieces(story: &Story, freqs_hz: &[f64]) -> Vec<Patch> {
    let of_trace = |trace: &Trace| -> Vec<Patch> {
        let places = freqs_hz.windows(2).zip(trace.values.windows(2));
        places
            .map(|(hz, levels)| Patch {
                x: (f64::from(x_of(hz[0])), f64::from(x_of(hz[1]))),
                up: (
                    UNITS_PER_DB * levels[0].min(levels[1]),
                    UNITS_PER_DB * levels[0].max(levels[1]),
                ),
            })
            .collect()
    };
    story.traces().into_iter().flat_map(of_trace).collect()
}

/// The levels of a panel that holds all rings too, multiples of 5 dB.
fn with_rings(levels_db: (f64, f64), rings: &[Ring]) -> (f64, f64) {
    let reached = |up: f64| up / UNITS_PER_DB / 5.0;
    rings.iter().fold(levels_db, |(low, high), ring| {
        (
            low.min(5.0 * reached(ring.centre.up - CLEAR).floor()),
            high.max(5.0 * reached(ring.centre.up + CLEAR).ceil()),
        )
    })
}

/// The rings as they are drawn in a panel of `levels_db` whose upper end is at `top`.
fn markers(plan: &Plan, rings: &[Ring], levels_db: (f64, f64), top: i32) -> Vec<Marker> {
    let panel = (levels_db.0 * UNITS_PER_DB, levels_db.1 * UNITS_PER_DB);
    let y = |up: f64| (f64::from(top) + panel.1 - up).round() as i32;
    let place = |spot: Spot| (spot.x.round() as i32, y(spot.up));
    to_read(plan)
        .zip(rings)
        .map(|((number, finding), ring)| Marker {
            number,
            said: in_short(number, finding).to_string(),
            sure: finding.sure,
            foot: place(within(ring.foot, panel)),
            centre: place(ring.centre),
        })
        .collect()
}

/// A letter is about so wide and so high where it is largest, on a phone (`page.css`).
const LETTER: (f64, f64) = (62.0, 112.0);

/// Where the word `target` stands.
fn target_word(story: &Story, freqs_hz: &[f64]) -> Patch {
    let left = f64::from(x_of(freqs_hz[0])) + 30.0;
    let middle = story.wanted.values[0] * UNITS_PER_DB + 72.0;
    Patch {
        x: (left, left + LETTER.0 * "target".len() as f64),
        up: (middle - 0.5 * LETTER.1, middle + 0.5 * LETTER.1),
    }
}

fn draw_story(
    surface: &Surface,
    plan: &Plan,
    story: &Story,
    levels: (f64, f64),
    place: (i32, i32),
    rings: &[Ring],
) -> Result<()> {
    let area = level_panel(surface, plan, story.heading, place, levels, 5.0)?;
    let freqs_hz = plan.audit.grid.freqs_hz();
    draw_traces(&area, freqs_hz, story.traces(), levels)?;
    name_curves(surface, &area, plan, story, rings)
}

/// Whether the words `before` and `after` over and under two values stand clear of all rings and of
/// the lines to them.
fn names_stand_free(x: f64, values: (f64, f64), rings: &[Ring]) -> bool {
    let half = 0.5 * LETTER.0 * "before".len() as f64;
    let (low, high) = (values.0.min(values.1), values.0.max(values.1));
    let word = |from: f64| Patch {
        x: (x - half, x + half),
        up: (from, from + LETTER.1),
    };
    let words = [
        word(high * UNITS_PER_DB + NAME_GAP),
        word(low * UNITS_PER_DB - NAME_GAP - LETTER.1),
    ];
    rings.iter().all(|ring| {
        let is_on_line = (ring.foot.x - x).abs() < half;
        !is_on_line && !words.iter().any(|word| word.is_touched_by(ring.centre))
    })
}

/// Between a curve and its name.
const NAME_GAP: f64 = 25.0;

/// Writes the names of the curves where they lie furthest apart, clear of the rings.
fn name_curves(
    surface: &Surface,
    area: &Panel,
    plan: &Plan,
    story: &Story,
    rings: &[Ring],
) -> Result<()> {
    let freqs_hz = plan.audit.grid.freqs_hz();
    let judged = plan
        .audit
        .grid
        .range(plan.audit.judged.from_hz, plan.audit.judged.to_hz);
    let apart = |i: &usize| (story.before.values[*i] - story.after.values[*i]).abs();
    let roomy = |i: &usize| (30.0..12_000.0).contains(&freqs_hz[*i]);
    let free = |i: &usize| {
        let values = (story.before.values[*i], story.after.values[*i]);
        names_stand_free(f64::from(x_of(freqs_hz[*i])), values, rings)
    };
    let Some(i) = judged
        .filter(roomy)
        .max_by(|a, b| free(a).cmp(&free(b)).then(apart(a).total_cmp(&apart(b))))
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
            (Hang::Above, y - NAME_GAP as i32)
        } else {
            (Hang::Below, y + NAME_GAP as i32)
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
