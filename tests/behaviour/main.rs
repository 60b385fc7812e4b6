//! What a plan does and says, as a process: speakers with known truths go in, and what is written
//! (JSON, `filters.txt`, `curves.csv`, pages) is computed again from its definition. Nothing here
//! asks the library for a response, an average or a rating; only `pinned` draws speakers with it.

mod cells;
mod limits;
mod made;
mod pinned;
mod price;
mod recomputed;
mod written;
