//! Wording and drawing of what was computed above. No new numbers.
//!
//! # The way of the data
//!
//! ```text
//! values ─> words/*  ─> Text    a sentence: plain words, names, numbers with units  (span)
//!        ─> *_picture ─> Picture curves with the words about them                   (picture, plot, sheet)
//!                          │
//!        sections, room, pair ─> Section of Blocks: paragraphs, lists, tables, ...  (document)
//!                          │
//!        text, html, many, aims, applied, checked, converted, look ─> Document
//!                          │
//!                terminal::render   page::render
//! ```
//!
//! - Every sentence is made here from values; the modules above hand over enums that hold numbers.
//! - How a piece of a sentence is to be treated is said by its type ([`span`]) where it is made. A
//!   renderer strips, escapes, isolates and binds by type; nothing searches a text afterwards.
//! - A section, and with it every table, is described once and rendered for both media. What only one
//!   of them shows is a property of the block or column ([`document::Medium`]).
//! - A file uses only files above it in the list below.

pub mod span;
pub mod words;
mod palette;
mod sheet;
pub mod picture;
mod plot;
mod marker;
mod response_picture;
mod filter_picture;
mod room_picture;
mod angle_picture;
pub mod pictures;
mod compare_picture;
pub mod checked_picture;
mod sketch;
pub mod document;
pub mod terminal;
mod page;
mod sections;
mod room;
mod pair;
pub mod text;
pub mod html;
pub mod many;
pub mod aims;
pub mod applied;
pub mod checked;
pub mod converted;
pub mod look;
