//! A picture as a bitmap: SVG text in, PNG bytes out. Letters come from a font of our own, so the
//! same picture gives the same bytes on every machine.

use crate::error::{Error, Result};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree};
use std::sync::Arc;

/// See `sans-licence.txt` beside it.
const FONT: &[u8] = include_bytes!("sans.ttf");
/// The name by which the font knows itself.
const FONT_NAME: &str = "DejaVu Sans";

/// Dots for each unit of the picture's own size: sharp on paper at 17 cm width (270 dots an inch
/// for a picture of 900 units).
const DOTS_PER_UNIT: f32 = 2.0;

/// `svg` drawn as PNG.
///
/// # Errors
/// When `svg` is no picture, or one too large to draw.
pub fn png(svg: &str) -> Result<Vec<u8>> {
    let mut options = Options {
        font_family: FONT_NAME.into(),
        ..Options::default()
    };
    let fonts = Arc::make_mut(&mut options.fontdb);
    fonts.load_font_data(FONT.to_vec());
    fonts.set_sans_serif_family(FONT_NAME);
    let tree = Tree::from_str(svg, &options).map_err(refused)?;
    let size = tree
        .size()
        .to_int_size()
        .scale_by(DOTS_PER_UNIT)
        .ok_or_else(|| refused("it has no size"))?;
    let mut dots =
        Pixmap::new(size.width(), size.height()).ok_or_else(|| refused("it is too large"))?;
    let scale = Transform::from_scale(DOTS_PER_UNIT, DOTS_PER_UNIT);
    resvg::render(&tree, scale, &mut dots.as_mut());
    dots.encode_png().map_err(refused)
}

fn refused(why: impl std::fmt::Display) -> Error {
    Error::call(format!("the picture cannot be drawn as dots: {why}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(inside: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"40\" height=\"20\" viewBox=\"0 0 40 20\"><rect width=\"40\" height=\"20\" fill=\"#ffffff\"/>{inside}</svg>"
        )
    }

    fn dots(svg: &str) -> Pixmap {
        Pixmap::decode_png(&png(svg).unwrap()).unwrap()
    }

    #[test]
    fn shapes_stand_where_they_are_put_at_two_dots_a_unit() {
        let drawn = dots(&picture(
            "<rect x=\"10\" width=\"20\" height=\"20\" fill=\"#0072b2\"/>",
        ));
        assert_eq!((drawn.width(), drawn.height()), (80, 40));
        let colour = |x, y| drawn.pixel(x, y).map(|p| (p.red(), p.green(), p.blue()));
        assert_eq!(colour(2, 20), Some((255, 255, 255)));
        assert_eq!(colour(40, 20), Some((0x00, 0x72, 0xb2)));
    }

    #[test]
    fn letters_are_drawn_with_the_font_inside_and_strange_ones_break_nothing() {
        let ink = |text: &str| {
            let svg = picture(&format!(
                "<text x=\"2\" y=\"15\" font-size=\"12\" font-family=\"sans-serif\">{text}</text>"
            ));
            let drawn = dots(&svg);
            drawn.pixels().iter().filter(|p| p.red() < 128).count()
        };
        assert!(ink("Hz") > 40);
        assert!(ink("שלום") > 40);
        ink("\u{1f50a}\u{202e}abc");
    }

    #[test]
    fn what_is_no_picture_is_refused() {
        assert!(png("no picture").is_err());
        assert!(png("").is_err());
    }
}
