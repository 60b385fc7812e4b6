//! The colours of pictures and page, each by what it stands for.

use crate::findings::Decision;

/// What a mark in a picture stands for. Every ink has a colour for light paper and one for dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// The ground.
    Paper,
    /// Words.
    Words,
    /// Words of less weight.
    Quiet,
    /// Lines of the grid that carry a number.
    Rule,
    /// Lines of the grid between them.
    Hair,
    /// What is not judged.
    Shade,
    /// A curve as measured.
    Before,
    /// A curve with the plan, and the sum of the filters.
    After,
    /// What is wanted.
    Wanted,
    /// One stage alone.
    Stage,
    /// Corrected in full.
    Mended,
    /// Corrected in part.
    Softened,
    /// Left alone.
    Left,
    /// A mark on the angle picture, which has its own ground in both schemes.
    MapMark,
    /// The edge that keeps a mark apart from that ground.
    MapEdge,
}

/// Name on the page, colour on light and on dark paper.
///
/// The coloured ones are from the set of Okabe and Ito, Color Universal Design (2002, revised
/// 2008; values as in Wong, Nature Methods 8 (2011) 441, from memory), which readers with any
/// common kind of colour blindness can tell apart: blue and sky blue, reddish purple, bluish
/// green, orange, vermilion. Greys have a contrast of 4.5 and more where they are words.
const INKS: [(Ink, &str, &str, &str); 15] = [
    (Ink::Paper, "paper", "#fdfcf9", "#15191d"),
    (Ink::Words, "words", "#1c2126", "#ebe8e1"),
    (Ink::Quiet, "quiet", "#545d66", "#a9b2ba"),
    (Ink::Rule, "rule", "#c9ccce", "#434b53"),
    (Ink::Hair, "hair", "#e8e8e6", "#262c32"),
    (Ink::Shade, "shade", "#e9e6df", "#272c31"),
    (Ink::Before, "before", "#77797b", "#a3a8ad"),
    (Ink::After, "after", "#0072b2", "#56b4e9"),
    (Ink::Wanted, "wanted", "#1c2126", "#ebe8e1"),
    (Ink::Stage, "stage", "#cc79a7", "#cc79a7"),
    (Ink::Mended, "mended", "#009e73", "#009e73"),
    (Ink::Softened, "softened", "#e69f00", "#e69f00"),
    (Ink::Left, "left", "#d55e00", "#d55e00"),
    (Ink::MapMark, "map-mark", "#1c2126", "#1c2126"),
    (Ink::MapEdge, "map-edge", "#fdfcf9", "#fdfcf9"),
];

impl Ink {
    /// The ink of what was decided.
    pub fn of(decision: Decision) -> Ink {
        match decision {
            Decision::Correct => Ink::Mended,
            Decision::Soften => Ink::Softened,
            Decision::Leave | Decision::Unspent => Ink::Left,
        }
    }

    /// Place in the palette, the inverse of [`Ink::from_index`].
    pub fn index(self) -> u8 {
        self as u8
    }

    /// The ink at a place in the palette.
    pub fn from_index(index: u8) -> Option<Ink> {
        INKS.get(usize::from(index)).map(|row| row.0)
    }

    /// The page's name for this colour, to be read by both schemes.
    pub fn variable(self) -> String {
        format!("var(--{})", INKS[usize::from(self.index())].1)
    }

    /// The colour on light paper, as `#rrggbb`.
    pub fn on_light(self) -> &'static str {
        INKS[usize::from(self.index())].2
    }
}

/// Declarations of all colours for light paper or for dark, as a style sheet wants them.
pub fn declarations(dark: bool) -> String {
    INKS.iter()
        .map(|(_, name, light, night)| format!("--{name}:{};", if dark { night } else { light }))
        .collect()
}

/// Levels over the listening window, dB, at which the angle picture changes its colour. Close
/// together where a finding is decided (half a step there is the just noticeable difference of
/// everyday listening or less), wide apart far below. Our own judgement.
pub const STEPS_DB: [f64; 10] = [-24.0, -18.0, -12.0, -9.0, -6.0, -3.0, -1.5, 1.5, 3.0, 6.0];

/// The step around the listening window's own level.
const NEUTRAL_STEP: u8 = 7;

/// How many steps there are.
pub const STEP_COUNT: u8 = STEPS_DB.len() as u8 + 1;

/// The step in which a level lies, 0 for the lowest.
pub fn step_of(level_db: f64) -> u8 {
    STEPS_DB.partition_point(|edge_db| *edge_db <= level_db) as u8
}

/// Colour of a step, as `#rrggbb`: pale at the listening window's level, towards purple where an
/// angle is quieter and towards orange where it is louder, darker the further.
///
/// Source: the scheme PuOr of ColorBrewer (Harrower and Brewer, The Cartographic Journal 40
/// (2003) 27-37), there marked as safe for colour-blind readers; values by the crate `colorous`.
pub fn step_colour(step: u8) -> String {
    let colour = scheme(step);
    format!("#{:02x}{:02x}{:02x}", colour.r, colour.g, colour.b)
}

fn scheme(step: u8) -> colorous::Color {
    let from_neutral = f64::from(step) - f64::from(NEUTRAL_STEP);
    let (most, sign) = if from_neutral < 0.0 {
        (f64::from(NEUTRAL_STEP), -1.0)
    } else {
        (f64::from(STEP_COUNT - 1 - NEUTRAL_STEP), 1.0)
    };
    // The scheme runs from purple (0) over pale (one half) to orange (1).
    colorous::PURPLE_ORANGE.eval_continuous(0.5 + sign * 0.5 * from_neutral.abs() / most)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_ink_stands_at_its_own_place() {
        for (place, row) in INKS.iter().enumerate() {
            assert_eq!(usize::from(row.0.index()), place);
            assert_eq!(Ink::from_index(row.0.index()), Some(row.0));
        }
        assert_eq!(Ink::from_index(INKS.len() as u8), None);
    }

    /// Relative luminance and contrast ratio. Source: WCAG 2.2, definitions of both terms.
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |hex: &str| {
            let part = |at: usize| {
                let c = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
                if c <= 0.04045 {
                    c / 12.92
                } else {
                    ((c + 0.055) / 1.055).powf(2.4)
                }
            };
            0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn words_and_lines_stand_out_from_their_paper() {
        // WCAG 2.2: 1.4.3 asks 4.5 for words, 1.4.11 asks 3 for marks that carry meaning.
        for (ink, name, light, dark) in INKS {
            let wanted = match ink {
                Ink::Words | Ink::Quiet => 4.5,
                Ink::Before | Ink::After | Ink::Wanted | Ink::Left | Ink::Mended => 3.0,
                // Never alone: a line of words stands beside each of these.
                _ => 0.0,
            };
            for (paper, colour) in [(INKS[0].2, light), (INKS[0].3, dark)] {
                let got = contrast(paper, colour);
                assert!(got >= wanted, "{name} on {paper}: {got}");
            }
        }
    }

    #[test]
    fn every_step_has_its_place_and_the_window_itself_the_middle_one() {
        assert_eq!(step_of(-100.0), 0);
        assert_eq!(step_of(-24.0), 1);
        assert_eq!(step_of(0.0), NEUTRAL_STEP);
        assert_eq!(step_of(1.5), NEUTRAL_STEP + 1);
        assert_eq!(step_of(50.0), STEP_COUNT - 1);
        assert!(step_of(f64::NAN) < STEP_COUNT);
    }

    #[test]
    fn colours_darken_on_both_sides_of_the_middle() {
        let sum = |step| {
            let c = scheme(step);
            u32::from(c.r) + u32::from(c.g) + u32::from(c.b)
        };
        assert!((1..=NEUTRAL_STEP).all(|step| sum(step) > sum(step - 1)));
        assert!((NEUTRAL_STEP + 1..STEP_COUNT).all(|step| sum(step) < sum(step - 1)));
        let (quiet, loud) = (scheme(1), scheme(STEP_COUNT - 2));
        assert!(quiet.b > quiet.r && loud.r > loud.b);
    }
}
