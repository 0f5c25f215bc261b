//! The electrical tables of a session, as people write them.

use earwitness::session::parse;

fn session(electrical: &str) -> Result<earwitness::session::Session, String> {
    let text = format!(
        "title = \"x\"\nprotocol = \"abx\"\ntrials = 16\n[amplifier]\noutput_resistance = \"20 mohm\"\n{electrical}\n\
         [cables.none]\nconstruction = \"direct\"\n[clips.p]\nsynth = \"plucked-strings\"\nlength = \"10 s\"\n\
         [[comparisons]]\nname = \"c\"\na = \"x\"\nb = \"none\"\nclips = [\"p\"]\n"
    );
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions/loads/session.toml");
    parse(&file, &text).map_err(|error| error.to_string())
}

const RESISTOR: &str = "[loudspeaker]\nresistance = \"8 ohm\"\n";

#[test]
fn every_construction_is_solved() {
    for cable in [
        "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\nspacing = \"3.2 mm\"",
        "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\nspacing = \"3.2 mm\"\niec_60228 = \
         \"class-5\"\nstrands = 24",
        "construction = \"coaxial\"\nlength = \"6 m\"\nconductor = \"18 AWG\"\nshield_inner_diameter = \"4 mm\"\n\
         shield_thickness = \"0.2 mm\"",
        "construction = \"ring\"\nlength = \"10 ft\"\nconductor = \"24 AWG\"\nconductors = 16\ncircle_diameter = \"6 mm\"",
        "construction = \"line\"\nlength = \"10 ft\"\nresistance = \"5 mohm/ft\"\ninductance = \"0.2 uH/ft\"\n\
         capacitance = \"30 pF/ft\"",
        "construction = \"lumped\"\nresistance = \"80 mohm\"\ninductance = \"3 uH\"",
        "count = 2\nconstruction = \"line\"\nlength = \"10 ft\"\nresistance = \"5 mohm/ft\"",
        "[[cables.x.sections]]\nconstruction = \"line\"\nlength = \"1 m\"\nresistance = \"5 mohm/m\"\n\
         [[cables.x.sections]]\nconstruction = \"lumped\"\nresistance = \"80 mohm\"",
        "[[cables.x.conductors]]\npolarity = \"+\"\nx = \"0 mm\"\ny = \"0 mm\"\nconductor = \"1.5 mm2\"\n\
         [[cables.x.conductors]]\npolarity = \"-\"\nx = \"3 mm\"\ny = \"0 mm\"\nconductor = \"1.5 mm2\"\nmaterial = \
         \"silver\"\n",
    ] {
        let head = if cable.contains("conductors]]") {
            "construction = \"cross-section\"\nlength = \"5 m\"\n"
        } else {
            ""
        };
        let read = session(&format!("{RESISTOR}[cables.x]\n{head}{cable}"))
            .unwrap_or_else(|e| panic!("{cable}\n{e}"));
        let response = read.chain(0).transfer(&[0.0, 1e3, 2e4]).expect("solvable");
        assert!(
            response.iter().all(|value| value.norm() > 0.9 && value.norm() < 1.0),
            "{cable}: {response:?}"
        );
    }
}

#[test]
fn an_iec_60228_conductor_has_the_largest_resistance_allowed() {
    let read = session(&format!(
        "{RESISTOR}[cables.x]\nconstruction = \"parallel-pair\"\nlength = \"1 km\"\nconductor = \"2.5 mm2\"\nspacing = \
         \"5 mm\"\niec_60228 = \"class-5\"\ntinned = true"
    ))
    .expect("readable");
    // Source: IEC 60228, class 5 tinned: 8.21 ohm/km.
    let dc = read.chain(0).parameters(&[1e3]).expect("solvable").dc_resistance_ohm.expect("known");
    assert!((dc - 2.0 * 8.21).abs() < 1e-6 * dc, "{dc}");
}

#[test]
fn ready_made_loads_and_networks_are_read() {
    let cable = "[cables.x]\nconstruction = \"lumped\"\nresistance = \"80 mohm\"";
    for load in ["two-way-benign", "three-way-nasty", "electrostatic"] {
        session(&format!("[loudspeaker]\nimpedance_table = \"{load}.csv\"\n{cable}")).expect("readable");
    }
    let network = "[[loudspeaker.network]]\nway = \"woofer\"\nplace = \"series\"\ninductance = \"0.6 mH\"\n\
                   [[loudspeaker.network]]\nway = \"woofer\"\nplace = \"shunt\"\n[loudspeaker.network.driver]\n\
                   dc_resistance = \"6.2 ohm\"\nresonance = \"40 Hz\"\nq_mechanical = 6\nq_electrical = 0.4\n\
                   coil_coefficient = 0.02\ncoil_exponent = 0.7\n\
                   [[loudspeaker.network]]\nway = \"tweeter\"\nterminals = \"high\"\nplace = \"series\"\ncapacitance = \
                   \"4.7 uF\"\n[[loudspeaker.network]]\nway = \"tweeter\"\nplace = \"shunt\"\nresistance = \"5 ohm\"\n";
    let bi = "[cables.x.low]\nconstruction = \"lumped\"\nresistance = \"80 mohm\"\n[cables.x.high]\nconstruction = \
              \"lumped\"\nresistance = \"300 mohm\"\n";
    let read = session(&format!("{network}{bi}")).expect("readable");
    let found = read.chain(0).transfer(&[0.0, 100.0, 10e3]).expect("solvable");
    assert!(found.iter().all(|value| value.norm() < 1.0 && value.norm() > 0.8), "{found:?}");
}

#[test]
fn complaints_name_line_and_key() {
    for (cable, words) in [
        ("construction = \"parallel-pair\"\nlength = 6", ["no unit", "length"]),
        (
            "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"2.5 mm2\"\nspacing = \"1 mm\"",
            ["spacing", "overlap"],
        ),
        ("construction = \"parralel-pair\"", ["parallel-pair", "did you mean"]),
        ("lcr_table = \"nowhere.csv\"\nsample_length = \"1 m\"", ["nowhere.csv", "lcr_table"]),
        ("length = \"6 m\"", ["needs one of", "construction"]),
        ("construction = \"direct\"\nresponse = \"x.csv\"", ["is given too", "response"]),
        ("construction = \"direct\"\nlenght = \"6 m\"", ["lenght", "unknown key"]),
        ("construction = \"line\"\nlength = \"-1 m\"\nresistance = \"1 mohm/m\"", ["length", "negative"]),
    ] {
        let error = session(&format!("{RESISTOR}[cables.x]\n{cable}")).expect_err(cable);
        assert!(
            error.contains("session.toml:") && words.iter().all(|word| error.contains(word)),
            "{cable}: {error}"
        );
    }
}
