//! The command line of planish.

fn main() {}
