//! Reading: sound input is understood and told, wrong input is refused with its place.

use planish::read::device::all_devices;
use planish::read::folder::{Measured, read_speaker};
use planish::read::target::all_targets;
use planish::response::Orbit;
use std::path::Path;

#[test]
fn the_measured_speaker_is_read_whole() {
    let speaker = read_speaker(Path::new("tests/data/measured_a")).unwrap();
    assert_eq!(speaker.name, "Measured loudspeaker");
    let Measured::Angles(response) = &speaker.measured else {
        panic!("orbits were given");
    };
    assert_eq!(response.members().len(), 72);
    assert_eq!(response.grid().len(), 216);
    assert_eq!(response.grid().first_hz(), 40.0);
    let first = response.at(Orbit::Horizontal, -170.0).unwrap();
    assert_eq!(first.levels_db[0], -33.540);
    assert_eq!(
        speaker.understood.to_string(),
        "read as wide orbit tables\n\
         horizontal: 36 angles measured (-170 to 180 in steps of 10 degrees)\n\
         vertical: 36 angles measured (-170 to 180 in steps of 10 degrees)\n\
         phase: not given\n\
         frequencies: 216 from 40 to 19897 Hz, 24.0 per octave\n\
         trusted: 63 to 20000 Hz\n"
    );
}

#[test]
fn built_in_targets_and_devices_are_sound() {
    let targets: Vec<String> = all_targets().unwrap().into_iter().map(|t| t.name).collect();
    assert_eq!(targets, ["flat", "gentle-tilt", "near-field"]);
    let devices: Vec<String> = all_devices().unwrap().into_iter().map(|d| d.name).collect();
    assert_eq!(
        devices,
        ["open-48k", "fixed-96k", "five-stage", "knob-receiver"]
    );
}
