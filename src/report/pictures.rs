//! The pictures of a plan.

use super::picture::Picture;
use super::span::{name, text};
use super::{angle_picture, filter_picture, response_picture, room_picture};
use crate::error::Result;
use crate::predict::Plan;

/// All pictures of a plan in the order of the page. The room's is there where seats were measured,
/// the angle picture is missing where no angles were.
///
/// # Errors
/// When the drawing surface refuses a mark, which finite numbers do not make it do.
pub fn all(plan: &Plan) -> Result<Vec<Picture>> {
    let mut pictures = vec![response_picture::draw(plan)?, filter_picture::draw(plan)?];
    pictures.extend(room_picture::draw(plan)?);
    pictures.extend(angle_picture::draw(plan)?);
    Ok(pictures)
}

/// The pictures as files of their own: short name and SVG text, each with its title, the units
/// and ratio of its axes and a source line.
///
/// # Errors
/// As [`all`].
pub fn files(plan: &Plan) -> Result<Vec<(&'static str, String)>> {
    let source = text! {
        "{}{}, device {}. Before EQ as measured, after EQ predicted.",
        concat!("planish ", env!("CARGO_PKG_VERSION"), ", target "), name(&plan.target.name),
        name(&plan.device.name)
    };
    let speaker = name(&plan.speaker).into();
    Ok(all(plan)?
        .iter()
        .map(|picture| (picture.key, picture.alone(&speaker, &source)))
        .collect())
}
