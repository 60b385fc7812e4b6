//! Wording and drawing of what was computed above. No new numbers.

mod angle_picture;
pub mod applied;
pub mod checked;
pub mod checked_picture;
mod filter_picture;
pub mod html;
mod palette;
pub mod picture;
mod response_picture;
mod sections;
mod sheet;
pub mod statement;
pub mod text;
