//! Wording and drawing of what was computed above. No new numbers.

mod angle_picture;
pub mod applied;
pub mod compare_page;
pub mod checked;
pub mod checked_picture;
pub mod converted;
mod filter_picture;
pub mod html;
pub mod aims;
pub mod owner;
mod owner_words;
pub mod many_page;
mod page;
mod palette;
pub mod picture;
mod plot;
mod response_picture;
mod pair;
mod room;
mod room_picture;
mod sections;
mod sheet;
mod sketch;
pub mod statement;
pub mod table;
pub mod text;
mod understood;
