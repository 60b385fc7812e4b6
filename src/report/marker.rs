//! Numbered rings at the findings' places on a curve. They touch neither each other nor a curve;
//! a thin line leads from each to its place.

use super::palette::Ink;
use super::picture::escaped;
use super::sheet::{LEFT, Manner, RIGHT, pen};
use super::words::finding::sure_word;
use std::fmt::Write;

/// Radius of a ring in units of the drawing, its line included.
const RING: f64 = 54.0;
/// Radius within which nothing else may stand: that of a ring on a phone, where `page.css` draws it
/// larger so that its number can be read.
pub const CLEAR: f64 = 84.0;
/// Air between what a ring keeps clear of and the curves, and between two rings.
const AIR: f64 = 16.0;
/// A ring that has no room is lifted so far, again and again.
const LIFT: f64 = 28.0;
/// Width of the line of a ring that is drawn in full, and of one that is drawn thin.
const LINES: (f64, f64) = (14.0, 5.0);
/// Size of the number; with two digits it still stands within the ring.
const NUMBER_SIZE: f64 = 60.0;
/// Radius of the dot on the curve.
const DOT: f64 = 10.0;

/// A place in units of the drawing; `up` counts upward from 0 dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// From the left end of the picture.
    pub x: f64,
    /// From 0 dB, upward.
    pub up: f64,
}

/// A box in the same units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// From the left end of the picture, left and right end.
    pub x: (f64, f64),
    /// From 0 dB upward, lower and upper end.
    pub up: (f64, f64),
}

impl Patch {
    /// Whether what a ring at `centre` keeps clear reaches into it.
    pub fn is_touched_by(&self, centre: Spot) -> bool {
        let beyond = |value: f64, (low, high): (f64, f64)| value - value.max(low).min(high);
        beyond(centre.x, self.x).hypot(beyond(centre.up, self.up)) < CLEAR
    }
}

/// A ring that looks for its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// The place on the curve that it speaks of.
    pub foot: Spot,
    /// Whether it speaks of a bump, and so stands rather above the curves than below.
    pub is_bump: bool,
}

/// What rings have to stay clear of.
pub struct Around<'a> {
    /// The pieces of all curves.
    pub curves: &'a [Patch],
    /// Words.
    pub words: &'a [Patch],
    /// Lower and upper end of the panel; a ring may stand beyond, if the panel is made higher.
    pub panel: (f64, f64),
}

/// The ring on the other side of the curve costs as much as a lift by this or as a panel that is
/// higher by this. Our own judgement, by looking at pictures.
const OTHER_SIDE: f64 = 1.5 * CLEAR;
/// As much costs a line that runs through a ring or words; most other places are better.
const CROSSING: f64 = 8.0 * CLEAR;
/// More lifts than this are not tried: they are twenty times the height of the highest panel.
const MOST_LIFTS: usize = 2000;

/// Where the centre of each ring stands, in the order of `wanted`: over or under its foot (at the
/// ends of the frequency axis beside it, within the panel), as near to the curves as room is.
pub fn placed(wanted: &[Wanted], around: &Around) -> Vec<Spot> {
    let mut rings: Vec<(Spot, Spot)> = Vec::new();
    for one in wanted {
        let centre = free_place(one, &rings, around);
        rings.push((one.foot, centre));
    }
    rings.into_iter().map(|(_, centre)| centre).collect()
}

fn free_place(wanted: &Wanted, rings: &[(Spot, Spot)], around: &Around) -> Spot {
    let foot = wanted.foot;
    let x = foot
        .x
        .clamp(f64::from(LEFT) + CLEAR, f64::from(RIGHT) - CLEAR);
    let at = |above: bool, lift: f64| Spot {
        x,
        up: match above {
            true => foot.up + AIR + CLEAR + lift,
            false => foot.up - AIR - CLEAR - lift,
        },
    };
    let mut best = (f64::INFINITY, at(wanted.is_bump, 0.0));
    for lift in (0..MOST_LIFTS).map(|count| LIFT * count as f64) {
        if lift > best.0 {
            break;
        }
        for above in [wanted.is_bump, !wanted.is_bump] {
            let centre = at(above, lift);
            let mut taken = around.words.iter().chain(around.curves);
            let stands_free = !taken.any(|patch| patch.is_touched_by(centre))
                && rings.iter().all(|(_, other)| {
                    (centre.x - other.x).hypot(centre.up - other.up) >= 2.0 * CLEAR + AIR
                });
            if !stands_free {
                continue;
            }
            let beyond = (around.panel.0 - (centre.up - CLEAR))
                .max(centre.up + CLEAR - around.panel.1)
                .max(0.0);
            let other_side = if above == wanted.is_bump {
                0.0
            } else {
                OTHER_SIDE
            };
            let cost = lift
                + other_side
                + beyond
                + CROSSING * crossings(foot, centre, rings, around.words) as f64;
            if cost < best.0 {
                best = (cost, centre);
            }
        }
    }
    best.1
}

/// How often a line runs through a ring or words, if this ring stood there.
fn crossings(foot: Spot, centre: Spot, rings: &[(Spot, Spot)], words: &[Patch]) -> usize {
    let of_rings = rings.iter().filter(|(other_foot, other)| {
        runs_through(foot, centre, *other) || runs_through(*other_foot, *other, centre)
    });
    let of_words = words.iter().filter(|patch| {
        let (from, to) = (foot.up.min(centre.up), foot.up.max(centre.up));
        (patch.x.0..=patch.x.1).contains(&foot.x) && from < patch.up.1 && to > patch.up.0
    });
    of_rings.count() + of_words.count()
}

/// Whether the line from `foot` to `centre`, which is upright or nearly so, runs through a ring.
fn runs_through(foot: Spot, centre: Spot, ring: Spot) -> bool {
    let (from, to) = (foot.up.min(centre.up), foot.up.max(centre.up));
    (foot.x - ring.x).abs() < CLEAR && (from..=to).contains(&ring.up)
}

/// A ring ready to be drawn; places are those of the surface, `y` downward.
#[derive(Debug, Clone, PartialEq)]
pub struct Marker {
    /// Its number.
    pub number: usize,
    /// What it stands for, shown where a pointer rests on it.
    pub said: String,
    /// The probability that the decision is right, 0 to 1: the ring is full where that is sure, its
    /// left half is where it is likely, and it is thin where it is doubtful.
    pub sure: f64,
    /// Its place on the curve.
    pub foot: (i32, i32),
    /// The centre of the ring.
    pub centre: (i32, i32),
}

/// The marks of all rings, colours in code: lines to the curve first, so that no ring is crossed.
pub fn marks(markers: &[Marker]) -> String {
    let code = |ink| {
        let colour = pen(ink, 0, Manner::Plain);
        format!("#{:02X}{:02X}{:02X}", colour.0, colour.1, colour.2)
    };
    let (words, paper) = (code(Ink::Words), code(Ink::Paper));
    let mut out = String::new();
    for marker in markers {
        let ((x, y), (foot_x, foot_y)) = (marker.centre, marker.foot);
        let _ = writeln!(
            out,
            "<line data-finding=\"{}\" x1=\"{foot_x}\" y1=\"{foot_y}\" x2=\"{x}\" y2=\"{y}\" stroke=\"{words}\" stroke-width=\"6\"/>\n<circle cx=\"{foot_x}\" cy=\"{foot_y}\" r=\"{DOT}\" fill=\"{words}\"/>",
            marker.number
        );
    }
    let (full, thin) = LINES;
    for marker in markers {
        let (x, y) = marker.centre;
        let number = marker.number;
        let word = sure_word(marker.sure);
        let line = if word == "sure" { full } else { thin };
        let _ = writeln!(
            out,
            "<g class=\"marker\" data-finding=\"{number}\" data-sure=\"{word}\">\n<title>{}</title>\n<circle cx=\"{x}\" cy=\"{y}\" r=\"{RING}\" fill=\"{paper}\"/>\n<circle cx=\"{x}\" cy=\"{y}\" r=\"{}\" fill=\"none\" stroke=\"{words}\" stroke-width=\"{line}\"/>",
            escaped(&marker.said),
            RING - 0.5 * line,
        );
        if word == "likely" {
            let radius = RING - 0.5 * full;
            let across = 2.0 * radius;
            let bottom = f64::from(y) + radius;
            let _ = writeln!(
                out,
                "<path d=\"M{x} {bottom}a{radius} {radius} 0 0 1 0 -{across}\" fill=\"none\" stroke=\"{words}\" stroke-width=\"{full}\"/>"
            );
        }
        let _ = writeln!(
            out,
            "<text x=\"{x}\" y=\"{y}\" dy=\"0.36em\" text-anchor=\"middle\" font-family=\"sans-serif\" fill=\"{words}\" style=\"font-size:{NUMBER_SIZE}px;stroke:none\">{number}</text>\n</g>"
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A flat curve through all of the picture.
    const NOTHING: Around = Around {
        curves: &[Patch {
            x: (0.0, 4000.0),
            up: (0.0, 40.0),
        }],
        words: &[],
        panel: (-600.0, 600.0),
    };

    fn bumps(places: &[f64]) -> Vec<Wanted> {
        let bump = |x: &f64| Wanted {
            foot: Spot { x: *x, up: 20.0 },
            is_bump: true,
        };
        places.iter().map(bump).collect()
    }

    fn nearest(places: &[Spot]) -> f64 {
        let mut least = f64::INFINITY;
        for (k, a) in places.iter().enumerate() {
            for b in &places[..k] {
                least = least.min((a.x - b.x).hypot(a.up - b.up));
            }
        }
        least
    }

    #[test]
    fn a_ring_alone_stands_over_a_bump_and_under_a_dip() {
        let mut wanted = bumps(&[1000.0, 2000.0]);
        wanted[1].is_bump = false;
        let [over, under] = placed(&wanted, &NOTHING)[..] else {
            panic!("two rings")
        };
        assert_eq!((over.x, under.x), (1000.0, 2000.0));
        for (up, free) in [(over.up, 40.0 + CLEAR), (-under.up, CLEAR)] {
            assert!((free..free + LIFT).contains(&up), "{up}");
        }
    }

    #[test]
    fn no_medium_draws_a_ring_larger_than_what_is_kept_clear() {
        let scales: Vec<f64> = include_str!("page.css")
            .split(".marker{transform:scale(")
            .skip(1)
            .map(|rest| rest.split_once(')').unwrap().0.parse().unwrap())
            .collect();
        assert_eq!(scales.len(), 3);
        assert!(scales.iter().all(|scale| RING * scale <= CLEAR));
    }

    #[test]
    fn neighbours_are_lifted_until_they_stand_apart() {
        let xs = [1000.0, 1160.0, 1320.0];
        let places = placed(&bumps(&xs), &NOTHING);
        assert!(nearest(&places) >= 2.0 * CLEAR + AIR);
        assert!(places.iter().zip(xs).all(|(at, x)| at.x == x));
        assert!(places[1].up > places[0].up && places[2].up == places[0].up);
        // So near that the line of one would run through the ring of the other: on both sides.
        let places = placed(&bumps(&[1000.0, 1030.0]), &NOTHING);
        assert!(places[0].up > 0.0 && places[1].up < 0.0);
    }

    #[test]
    fn forty_rings_at_one_place_and_at_the_ends_of_the_axis_still_stand_apart() {
        for x in [f64::from(LEFT), 1000.0, f64::from(RIGHT)] {
            let places = placed(&bumps(&[x; 40]), &NOTHING);
            assert!(nearest(&places) >= 2.0 * CLEAR + AIR);
            let within = f64::from(LEFT) + CLEAR..=f64::from(RIGHT) - CLEAR;
            assert!(places.iter().all(|at| within.contains(&at.x)));
        }
    }

    #[test]
    fn a_ring_keeps_clear_of_words_and_of_the_end_of_the_panel() {
        let words = [Patch {
            x: (800.0, 1200.0),
            up: (60.0, 200.0),
        }];
        let around = Around {
            words: &words,
            ..NOTHING
        };
        let at = placed(&bumps(&[1000.0]), &around)[0];
        assert!(!words[0].is_touched_by(at));
        // No room above: the ring of a bump goes below.
        let low_panel = Around {
            panel: (-600.0, 60.0),
            ..NOTHING
        };
        assert!(placed(&bumps(&[1000.0]), &low_panel)[0].up < 0.0);
    }

    #[test]
    fn the_ring_is_full_half_or_thin_as_the_decision_is_sure() {
        let marker = |sure| {
            marks(&[Marker {
                number: 3,
                said: "dip & more".into(),
                sure,
                foot: (500, 400),
                centre: (500, 200),
            }])
        };
        let thick = format!("stroke-width=\"{}\"", LINES.0);
        assert!(marker(0.95).contains(&thick) && !marker(0.95).contains("<path"));
        assert!(marker(0.8).contains("<path"));
        assert!(!marker(0.2).contains(&thick));
        assert!(marker(0.2).contains("<title>dip &amp; more</title>"));
    }
}
