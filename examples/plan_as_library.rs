//! A program that plans a speaker with the library alone:
//!
//! `cargo run --no-default-features --example plan_as_library -- examples/quayside_5`

use planish::export::filter_list;
use planish::read::filter_list::parse;
use planish::run::{PlanOptions, Speaker, plan};
use std::path::Path;

fn main() -> planish::Result<()> {
    let folder = std::env::args().nth(1);
    let folder = folder.unwrap_or_else(|| "examples/quayside_5".into());
    let speaker = Speaker::read(Path::new(&folder), Default::default())?;
    let options = PlanOptions {
        device: Some("five-stage".into()),
        ..PlanOptions::default()
    };
    let plan = plan(&speaker, &options)?;
    for finding in &plan.findings {
        let (at_hz, size_db) = (finding.peak_hz, finding.size_db);
        println!("{at_hz:8.0} Hz {size_db:+5.1} dB  {}", finding.cause);
    }
    // The list as the box takes it, read back as a user's own program would.
    let list = filter_list::from_plan(&plan)?;
    let text = filter_list::write(&list, &plan.device.word_order)?;
    let bank = parse("filters.txt".as_ref(), &text)?.bank();
    println!(
        "{} stages, {:.1} dB in front",
        bank.sections.len(),
        bank.gain_db
    );
    println!("at 1 kHz {:+.2} dB", bank.gain_at_db(1000.0));
    Ok(())
}
