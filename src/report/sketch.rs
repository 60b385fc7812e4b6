//! A small picture of a plan for pages that show many: the listening window before and after
//! against its target.

use super::palette::Ink;
use super::picture::escaped;
use super::plot::DB_PER_DECADE;
use super::sheet::{FROM_HZ, TO_HZ};
use super::span::{Text, exact, text};
use crate::predict::summary::Sketch;
use std::fmt::Write;

/// Width of a decade; a tenth of a dB is then two fifths of a unit, finer than a line.
const DECADE: f64 = 100.0;
/// Highest and lowest level, the same on all so that speakers compare, dB over the listening
/// window's own level: what most speakers need. Curves beyond are cut off.
const HIGH_DB: f64 = 10.0;
const LOW_DB: f64 = -20.0;

/// The picture, with `words` for those who cannot see it.
pub fn svg(curves: &Sketch, words: &str) -> String {
    let units_per_db = DECADE / DB_PER_DECADE;
    let width = DECADE * (TO_HZ / FROM_HZ).log10();
    let height = (HIGH_DB - LOW_DB) * units_per_db;
    let words = escaped(words);
    let mut out = format!(
        "<svg class=\"sketch\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"{words}\">"
    );
    for (f_hz, ink) in [
        (50.0, Ink::Hair),
        (100.0, Ink::Rule),
        (200.0, Ink::Hair),
        (500.0, Ink::Hair),
        (1000.0, Ink::Rule),
        (2000.0, Ink::Hair),
        (5000.0, Ink::Hair),
        (10_000.0, Ink::Rule),
    ] {
        let _ = write!(
            out,
            "<path d=\"M{:.1} 0V{height:.0}\" stroke=\"{}\"/>",
            x_of(f_hz),
            ink.variable()
        );
    }
    for level_db in [5.0, 0.0, -5.0, -10.0, -15.0] {
        let ink = if level_db == 0.0 {
            Ink::Quiet
        } else {
            Ink::Hair
        };
        let _ = write!(
            out,
            "<path d=\"M0 {:.1}H{width:.0}\" stroke=\"{}\"/>",
            y_of(level_db),
            ink.variable()
        );
    }
    let Sketch {
        freqs_hz,
        window_before_db,
        window_after_db,
        target_db,
    } = curves;
    for (values, ink, rest) in [
        (target_db, Ink::Wanted, "stroke-dasharray=\"5 4\""),
        (window_before_db, Ink::Before, "stroke-width=\"1.2\""),
        (window_after_db, Ink::After, "stroke-width=\"2.4\""),
    ] {
        let points: Vec<String> = freqs_hz
            .iter()
            .zip(values)
            .map(|(f, v)| format!("{:.1},{:.1}", x_of(*f), y_of(*v)))
            .collect();
        let _ = write!(
            out,
            "<polyline points=\"{}\" stroke=\"{}\" {rest}/>",
            points.join(" "),
            ink.variable()
        );
    }
    out + "</svg>"
}

/// How the small pictures are to be read.
pub fn reading() -> Text {
    text! {
        "Each small picture: the listening window from {} to {}, thin and grey as measured, thick and blue with the filters (predicted), dashed the target. Lines stand at 50, 100, 200, {} and so on and every {}; all have one scale, {} as high as a decade is wide (IEC 60263), and curves are cut off at the edges.",
        exact(FROM_HZ, "Hz"), exact(TO_HZ / 1000.0, "kHz"), exact(500.0, "Hz"), exact(5.0, "dB"),
        exact(DB_PER_DECADE, "dB")
    }
}

fn x_of(f_hz: f64) -> f64 {
    DECADE * (f_hz / FROM_HZ).log10()
}

fn y_of(level_db: f64) -> f64 {
    // Far beyond the edge one place is like another; numbers stay short.
    (HIGH_DB - level_db.clamp(10.0 * LOW_DB, 10.0 * HIGH_DB)) * DECADE / DB_PER_DECADE
}
