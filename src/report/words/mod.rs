//! Sentences for people, made from values here and nowhere else.

pub mod contradiction;
pub mod fault;
pub mod finding;
pub mod situation;
pub mod stage;
pub mod statement;
mod understood;
