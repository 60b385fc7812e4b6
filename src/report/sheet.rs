//! A sheet to draw on: `plotters` places the marks, this file gives them their meaning.
//!
//! A mark's colour on the drawing surface is a code for its ink, its trace and its manner. When
//! the drawing is done every code is replaced: by the page's colour names, so that one drawing
//! serves light and dark, or by plain colours for a file that stands alone.

use super::palette::{Ink, step_colour};
use crate::error::{Error, Result};
use plotters::coord::Shift;
use plotters::coord::combinators::{IntoLogRange, LogCoord};
use plotters::coord::types::RangedCoordf64;
use plotters::element::{Drawable, PointCollection};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use std::fmt::Write;

/// Frequency axis of every picture, Hz.
pub const FROM_HZ: f64 = 20.0;
/// Upper end of the frequency axis, Hz: three decades.
pub const TO_HZ: f64 = 20_000.0;

/// Sizes are in units of the drawing, about a quarter of a pixel on a wide screen: the surface
/// has whole numbers only, and at this size their steps cannot be seen.
pub const UNITS_PER_DECADE: i32 = 1100;
/// Left end of the frequency axis.
pub const LEFT: i32 = 230;
/// Right end of the frequency axis.
pub const RIGHT: i32 = LEFT + 3 * UNITS_PER_DECADE;
/// Width of every picture.
pub const WIDTH: i32 = RIGHT + 70;
/// Height of words on a wide screen.
pub const WORD_SIZE: f64 = 48.0;

/// How a mark is drawn beyond its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Manner {
    /// Unbroken; words as they are.
    #[default]
    Plain,
    /// Long dashes.
    Dashed,
    /// Short dashes.
    Dotted,
}

/// Codes from here on are steps of the angle picture.
const FIRST_STEP_CODE: u8 = 128;

/// A colour that says ink, trace (0 for none) and manner.
pub fn pen(ink: Ink, trace: u8, manner: Manner) -> RGBColor {
    RGBColor(ink.index(), trace, manner as u8)
}

/// A colour that says a step of the angle picture.
pub fn step_pen(step: u8) -> RGBColor {
    RGBColor(FIRST_STEP_CODE + step, 0, 0)
}

/// The drawing surface.
pub type Surface<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// A part of the surface with a frequency axis and a second one of any kind.
pub type Panel<'a> = DrawingArea<SVGBackend<'a>, Cartesian2d<LogCoord<f64>, RangedCoordf64>>;

/// What the surface can complain of has no place in a file; it is told as a fault of the call.
pub fn drawing_error(error: impl std::fmt::Display) -> Error {
    Error::call(format!("a picture cannot be drawn: {error}"))
}

/// Lets `paint` draw on a surface of [`WIDTH`] by `height` and returns the marks, colours still
/// in code.
///
/// # Errors
/// When the surface refuses a mark.
pub fn drawn(height: i32, paint: impl FnOnce(&Surface) -> Result<()>) -> Result<String> {
    let mut text = String::new();
    {
        let surface =
            SVGBackend::with_string(&mut text, (WIDTH as u32, height as u32)).into_drawing_area();
        paint(&surface)?;
        surface.present().map_err(drawing_error)?;
    }
    let marks = text
        .lines()
        .filter(|line| !line.starts_with("<svg") && !line.starts_with("</svg"));
    Ok(marks.fold(String::new(), |all, line| all + line + "\n"))
}

/// A panel from `top` to `bottom` whose second axis goes from `low` (at the bottom) to `high`.
pub fn panel<'a>(surface: &Surface<'a>, top: i32, bottom: i32, low: f64, high: f64) -> Panel<'a> {
    surface
        .clone()
        .apply_coord_spec(Cartesian2d::<LogCoord<f64>, RangedCoordf64>::new(
            (FROM_HZ..TO_HZ).log_scale(),
            low..high,
            (LEFT..RIGHT, bottom..top),
        ))
}

/// Draws one mark.
pub fn put<'a, 'b, T, C>(area: &DrawingArea<SVGBackend<'a>, C>, mark: &'b T) -> Result<()>
where
    C: CoordTranslate,
    &'b T: PointCollection<'b, C::From>,
    T: Drawable<SVGBackend<'a>>,
{
    area.draw(mark).map_err(drawing_error)
}

/// Where words hang relative to their point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hang {
    /// To the right of it.
    Right,
    /// To the left of it.
    Left,
    /// Centred on it.
    Middle,
    /// Centred above it.
    Above,
    /// Centred below it.
    Below,
}

/// Words at a point of the surface. ASCII only: the drawing surface measures by bytes.
pub fn words(
    surface: &Surface,
    text: &str,
    at: (i32, i32),
    hang: Hang,
    ink: Ink,
    trace: u8,
) -> Result<()> {
    let (h, v) = match hang {
        Hang::Right => (HPos::Left, VPos::Center),
        Hang::Left => (HPos::Right, VPos::Center),
        Hang::Middle => (HPos::Center, VPos::Center),
        Hang::Above => (HPos::Center, VPos::Bottom),
        Hang::Below => (HPos::Center, VPos::Top),
    };
    let colour = pen(ink, trace, Manner::Plain);
    // The surface divides by this number when it writes the size.
    let style = TextStyle::from(("sans-serif", WORD_SIZE * 1.24).into_font())
        .color(&colour)
        .pos(Pos::new(h, v));
    put(surface, &Text::new(text.to_string(), at, style))
}

/// Place of a frequency on the surface.
pub fn x_of(f_hz: f64) -> i32 {
    let share = (f_hz / FROM_HZ).log10() / (TO_HZ / FROM_HZ).log10();
    LEFT + (share.clamp(0.0, 1.0) * f64::from(RIGHT - LEFT)).round() as i32
}

/// A curve through `points` (Hz, value), drawn where it lies within `low..=high` and the
/// frequency axis.
pub fn curve(
    panel: &Panel,
    points: &[(f64, f64)],
    low: f64,
    high: f64,
    colour: RGBColor,
    width: u32,
) -> Result<()> {
    for piece in within(points, low, high) {
        put(panel, &PathElement::new(piece, colour.stroke_width(width)))?;
    }
    Ok(())
}

/// The stretches of a curve that lie within limits, cut exactly at the limits.
fn within(points: &[(f64, f64)], low: f64, high: f64) -> Vec<Vec<(f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut open = false;
    for pair in points.windows(2) {
        let ((f0, a), (f1, b)) = (pair[0], pair[1]);
        if !(a.is_finite() && b.is_finite()) || f0 < FROM_HZ * 0.999 || f1 > TO_HZ * 1.001 {
            open = false;
            continue;
        }
        let at = |t: f64| (f0 * (f1 / f0).powf(t), a + t * (b - a));
        // The part of the line between the two limits, as shares of its length.
        let (mut start, mut end) = (0.0, 1.0);
        for (from, to) in [(a - low, b - low), (high - a, high - b)] {
            if from < 0.0 && to < 0.0 {
                (start, end) = (1.0, 0.0);
            } else if from < 0.0 {
                start = f64::max(start, from / (from - to));
            } else if to < 0.0 {
                end = f64::min(end, from / (from - to));
            }
        }
        if start > end {
            open = false;
            continue;
        }
        if !open || start > 0.0 {
            pieces.push(vec![at(start)]);
        }
        if let Some(piece) = pieces.last_mut() {
            piece.push(at(end));
        }
        open = end >= 1.0;
    }
    pieces
}

/// A filled box between two frequencies and two values.
pub fn block(
    panel: &Panel,
    hz: (f64, f64),
    values: (f64, f64),
    colour: RGBColor,
    opacity: f64,
) -> Result<()> {
    let corners = [(hz.0.max(FROM_HZ), values.0), (hz.1.min(TO_HZ), values.1)];
    put(
        panel,
        &Rectangle::new(corners, colour.mix(opacity).filled()),
    )
}

/// Frequencies that get a word on the axis.
const NAMED_HZ: [f64; 10] = [20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4, 2e4];

/// Upright lines at 1, 2 ... 9 of every decade, over the height of a panel.
pub fn frequency_lines(panel: &Panel, low: f64, high: f64) -> Result<()> {
    for decade in [10.0, 100.0, 1e3, 1e4] {
        for k in 1..10 {
            let f_hz = decade * f64::from(k);
            if !(FROM_HZ..=TO_HZ).contains(&f_hz) {
                continue;
            }
            let ink = if NAMED_HZ.contains(&f_hz) {
                Ink::Rule
            } else {
                Ink::Hair
            };
            let colour = pen(ink, 0, Manner::Plain);
            put(
                panel,
                &PathElement::new(vec![(f_hz, low), (f_hz, high)], colour.stroke_width(3)),
            )?;
        }
    }
    Ok(())
}

/// The words of the frequency axis below `bottom`.
pub fn frequency_words(surface: &Surface, bottom: i32) -> Result<()> {
    for f_hz in NAMED_HZ {
        let text = if f_hz < 1000.0 {
            format!("{f_hz}")
        } else {
            format!("{}k", f_hz / 1000.0)
        };
        words(
            surface,
            &text,
            (x_of(f_hz), bottom + 112),
            Hang::Middle,
            Ink::Words,
            0,
        )?;
    }
    axis_title(surface, "frequency, Hz", bottom + 240)
}

/// What the numbers along a horizontal axis are, centred below them.
pub fn axis_title(surface: &Surface, text: &str, y: i32) -> Result<()> {
    let middle = (LEFT + RIGHT) / 2;
    words(surface, text, (middle, y), Hang::Middle, Ink::Quiet, 0)
}

/// Room that [`frequency_words`] takes below a panel.
pub const AXIS_HEIGHT: i32 = 310;

/// Level lines and words every `step` from `low` to `high`.
pub fn level_lines(surface: &Surface, panel: &Panel, levels: (f64, f64), step: f64) -> Result<()> {
    let (low, high) = levels;
    let first = (low / step).ceil() as i32;
    let last = (high / step).floor() as i32;
    for k in first..=last {
        let level = f64::from(k) * step;
        let ink = if k == 0 { Ink::Quiet } else { Ink::Rule };
        let colour = pen(ink, 0, Manner::Plain);
        put(
            panel,
            &PathElement::new(
                vec![(FROM_HZ, level), (TO_HZ, level)],
                colour.stroke_width(3),
            ),
        )?;
        let (_, y) = panel.map_coordinate(&(FROM_HZ, level));
        words(
            surface,
            &level_word(level),
            (LEFT - 25, y),
            Hang::Left,
            Ink::Words,
            0,
        )?;
    }
    Ok(())
}

/// A level as it stands on an axis: with its sign, without needless decimals.
pub fn level_word(level: f64) -> String {
    if level > 0.0 {
        format!("+{level}")
    } else {
        format!("{level}")
    }
}

/// Who will read the marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Colours {
    /// The page: colour names that both schemes explain.
    OfThePage,
    /// A file that stands alone: colours on light paper.
    OnLight,
}

/// The marks with every code replaced; marks of one trace stand together in a group that carries
/// `data-trace`. Boxes of the angle picture are gathered into one path for each run of a colour.
pub fn inked(marks: &str, colours: Colours) -> String {
    let mut out = String::new();
    let mut open: u8 = 0;
    let mut boxes = Boxes::default();
    for line in marks.lines() {
        let Some(code) = code_of(line) else {
            // A group of its own stands beside those of the traces, not in one.
            if line.starts_with("<g") {
                boxes.close(&mut out);
                if open != 0 {
                    out.push_str("</g>\n");
                    open = 0;
                }
            }
            out.push_str(line);
            out.push('\n');
            continue;
        };
        if let Some(step) = code.0.checked_sub(FIRST_STEP_CODE) {
            boxes.take(step, line, &mut out);
            continue;
        }
        boxes.close(&mut out);
        if code.1 != open {
            if open != 0 {
                out.push_str("</g>\n");
            }
            open = code.1;
            if open != 0 {
                let _ = writeln!(out, "<g data-trace=\"{open}\">");
            }
        }
        // Codes are made by `pen` only; a code of no ink stays what it is, a colour.
        let paint = Ink::from_index(code.0).map(|ink| match colours {
            Colours::OfThePage => ink.variable(),
            Colours::OnLight => ink.on_light().to_string(),
        });
        let coded = format!("#{:02X}{:02X}{:02X}", code.0, code.1, code.2);
        let mut line = line.replace(&coded, &paint.unwrap_or(coded.clone()));
        line = line
            .replace(" opacity=\"1\"", "")
            .replace(" stroke=\"none\"", "");
        let dashes = match code.2 {
            1 => Some("44 30"),
            2 => Some("12 18"),
            _ => None,
        };
        if let (Some(dashes), true) = (dashes, line.starts_with("<polyline")) {
            line = line.replacen(
                "<polyline",
                &format!("<polyline stroke-dasharray=\"{dashes}\""),
                1,
            );
        }
        out.push_str(&line);
        out.push('\n');
    }
    boxes.close(&mut out);
    if open != 0 {
        out.push_str("</g>\n");
    }
    out
}

/// The code in the first colour of a mark.
fn code_of(line: &str) -> Option<(u8, u8, u8)> {
    let at = line.find("=\"#")? + 3;
    let part = |k: usize| u8::from_str_radix(line.get(at + k..at + k + 2)?, 16).ok();
    Some((part(0)?, part(2)?, part(4)?))
}

/// Boxes of one colour on their way into one path.
#[derive(Default)]
struct Boxes {
    step: Option<u8>,
    path: String,
}

impl Boxes {
    fn take(&mut self, step: u8, line: &str, out: &mut String) {
        if self.step != Some(step) {
            self.close(out);
            self.step = Some(step);
        }
        let number = |name: &str| {
            let rest = line.split_once(&format!(" {name}=\""))?.1;
            rest.split_once('"')?.0.parse::<i32>().ok()
        };
        if let (Some(x), Some(y), Some(w), Some(h)) =
            (number("x"), number("y"), number("width"), number("height"))
        {
            let _ = write!(self.path, "M{x} {y}h{w}v{h}h-{w}z");
        }
    }

    fn close(&mut self, out: &mut String) {
        if let Some(step) = self.step.take() {
            let _ = writeln!(
                out,
                "<path fill=\"{}\" shape-rendering=\"crispEdges\" d=\"{}\"/>",
                step_colour(step),
                self.path
            );
            self.path.clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_is_cut_where_it_leaves_the_panel() {
        let pieces = within(
            &[(100.0, 0.0), (200.0, 20.0), (400.0, 0.0), (800.0, 5.0)],
            -10.0,
            10.0,
        );
        assert_eq!(pieces.len(), 2);
        assert_eq!(pieces[0][0], (100.0, 0.0));
        assert!((pieces[0][1].0 - 100.0 * 2f64.sqrt()).abs() < 1e-9 && pieces[0][1].1 == 10.0);
        assert!((pieces[1][0].0 - 200.0 * 2f64.sqrt()).abs() < 1e-9);
        assert_eq!(pieces[1].last(), Some(&(800.0, 5.0)));
        assert!(within(&[(100.0, 30.0), (200.0, 40.0)], -10.0, 10.0).is_empty());
        assert!(within(&[(100.0, f64::NAN), (200.0, 0.0)], -10.0, 10.0).is_empty());
    }

    #[test]
    fn a_line_steeper_than_the_panel_crosses_it_from_edge_to_edge() {
        let pieces = within(&[(100.0, -30.0), (200.0, 30.0)], -10.0, 10.0);
        assert_eq!(pieces.len(), 1);
        assert_eq!((pieces[0][0].1, pieces[0][1].1), (-10.0, 10.0));
    }

    #[test]
    fn codes_become_colours_and_traces_become_groups() {
        let marks = drawn(300, |surface| {
            let area = panel(surface, 0, 300, -1.0, 1.0);
            let line = [(100.0, 0.0), (200.0, 0.5)];
            curve(
                &area,
                &line,
                -1.0,
                1.0,
                pen(Ink::After, 3, Manner::Dashed),
                6,
            )?;
            block(&area, (100.0, 200.0), (0.0, 0.5), step_pen(2), 1.0)
        })
        .unwrap();
        let page = inked(&marks, Colours::OfThePage);
        assert!(page.contains("<g data-trace=\"3\">"));
        assert!(page.contains("stroke=\"var(--after)\"") && page.contains("stroke-dasharray"));
        assert!(page.contains(&format!("fill=\"{}\"", step_colour(2))));
        let alone = inked(&marks, Colours::OnLight);
        assert!(alone.contains("stroke=\"#0072b2\"") && !alone.contains("var("));
    }

    #[test]
    fn a_group_of_its_own_stands_beside_that_of_a_trace() {
        let marks = drawn(300, |surface| {
            let at = (LEFT, 100);
            words(surface, "after", at, Hang::Above, Ink::After, 3)
        })
        .unwrap();
        let marks = marks + "<g class=\"own\">\n</g>\n";
        let picture = format!("<svg>{}</svg>", inked(&marks, Colours::OfThePage));
        let document = roxmltree::Document::parse(&picture).unwrap();
        let groups = document.root_element().children();
        let groups: Vec<_> = groups.filter(|n| n.has_tag_name("g")).collect();
        assert_eq!(groups.len(), 2);
        assert_eq!(groups[0].attribute("data-trace"), Some("3"));
        assert_eq!(groups[1].attribute("class"), Some("own"));
    }

    #[test]
    fn frequencies_stand_where_the_logarithm_puts_them() {
        assert_eq!(x_of(20.0), LEFT);
        assert_eq!(x_of(200.0), LEFT + UNITS_PER_DECADE);
        assert_eq!(x_of(20_000.0), RIGHT);
        assert_eq!(x_of(1.0), LEFT);
    }
}
