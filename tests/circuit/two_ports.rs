//! Two-ports as network analysers of the laboratory measure them: from 100 kHz on.

use earwitness::circuit::cable::TwoPortTable;
use earwitness::circuit::conductor::{Material, Wire};
use earwitness::circuit::line::{Line, LineParameters, PerMetre};
use earwitness::circuit::pair::ParallelPair;
use earwitness::circuit::touchstone::{PortData, Touchstone, Version, write};
use earwitness::circuit::{Amplifier, Cable, Chain, Loudspeaker};
use earwitness::session::parse;
use num_complex::Complex64;

use super::close;

fn pair(metal_diameter_m: f64) -> Line {
    let wire = Wire::solid(metal_diameter_m, Material::COPPER, 20.0);
    let pair = ParallelPair { wire, spacing_m: 3.0 * metal_diameter_m, permittivity: 3.0 };
    Line { length_m: 6.0, parameters: LineParameters::Pair { pair, loss_tangent: 0.02 } }
}

/// Scattering parameters at 50 ohm of a line from 100 kHz to 10 MHz.
fn measured(line: &Line) -> (Vec<f64>, Vec<[Complex64; 4]>) {
    let frequencies: Vec<f64> = (0..=80).map(|step| 1e5 * 100_f64.powf(f64::from(step) / 80.0)).collect();
    let solved = line.solve(&frequencies).expect("solvable");
    let scattering = solved.iter().map(|(_, chain)| chain.to_scattering(50.0)).collect();
    (frequencies, scattering)
}

fn into(cable: Cable) -> Chain {
    Chain { amplifier: Amplifier::lumped(0.02, 0.0), cable, loudspeaker: Loudspeaker::resistor(4.0) }
}

#[test]
fn a_file_from_100_khz_goes_on_as_the_line_that_it_is_of() {
    for diameter in [0.6e-3, 1.0e-3, 1.6e-3] {
        let line = pair(diameter);
        let (frequencies, scattering) = measured(&line);
        let table = TwoPortTable::new(&frequencies, &scattering, 50.0);
        let left = table.continuation_left().unwrap_or_else(|| panic!("{diameter} m: no continuation"));
        let (measured, exact) = (into(Cable::TwoPort(table)), into(Cable::Line(line)));
        let audio = [20.0, 200.0, 1e3, 5e3, 2e4];
        let (found, right) =
            (measured.transfer(&audio).expect("solvable"), exact.transfer(&audio).expect("solvable"));
        for (frequency, (found, right)) in audio.iter().zip(found.iter().zip(&right)) {
            let error = 20.0 * (found / right).norm().log10();
            println!("{diameter} m, {frequency} Hz: {error:.5} dB, fit left {left:.4}");
            assert!(error.abs() < 0.03, "{diameter} m, {frequency} Hz: {error} dB");
        }
        let (a, b) =
            (measured.parameters(&[1e3]).expect("solvable"), exact.parameters(&[1e3]).expect("solvable"));
        close(a.capacitance_f.expect("known")[0], b.capacitance_f.expect("known")[0], 0.01, "capacitance");
        close(
            a.loop_inductance_h.expect("known")[0],
            b.loop_inductance_h.expect("known")[0],
            0.1,
            "inductance",
        );
    }
}

fn session(file: &Touchstone) -> Result<Vec<String>, String> {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("cable.s2p"), write(file, Version::One)).expect("written");
    let text = "title = \"x\"\nprotocol = \"abx\"\ntrials = 16\n[amplifier]\noutput_resistance = \"0 ohm\"\n[loudspeaker]\n\
                resistance = \"8 ohm\"\n[cables.one]\ntouchstone = \"cable.s2p\"\n[cables.two]\nconstruction = \"direct\"\n\
                [clips.p]\nsynth = \"plucked-strings\"\n[[comparisons]]\nname = \"c\"\na = \"one\"\nb = \"two\"\nclips = [\"p\"]\n";
    let read = parse(&folder.path().join("session.toml"), text).map_err(|error| error.to_string())?;
    Ok(read.notes)
}

fn file(frequencies_hz: Vec<f64>, scattering: Vec<[Complex64; 4]>) -> Touchstone {
    Touchstone { frequencies_hz, reference_ohm: 50.0, data: PortData::TwoPort(scattering) }
}

#[test]
fn files_that_are_no_cables_are_refused_or_told() {
    let (frequencies, good) = measured(&pair(1e-3));
    let notes = session(&file(frequencies.clone(), good.clone())).expect("a cable");
    assert!(
        notes.iter().any(|note| note.contains("begins at 100000 Hz") && note.contains("skin effect")),
        "{notes:?}"
    );
    let changed = |change: fn([Complex64; 4]) -> [Complex64; 4]| {
        session(&file(frequencies.clone(), good.iter().map(|values| change(*values)).collect()))
    };
    for (change, word) in [
        ((|[a, b, c, d]| [a, -b, -c, d]) as fn([Complex64; 4]) -> [Complex64; 4], "polarity is reversed"),
        (|[a, b, c, d]| [a, 0.5 * b, c, d], "same both ways"),
        (|[a, b, c, d]| [a, 1.4 * b, 1.4 * c, d], "comes out than goes in"),
    ] {
        let error = changed(change).expect_err(word);
        assert!(error.contains(word) && error.contains("cable.s2p"), "{word}: {error}");
    }
    // A series resistance that falls with frequency is no wire's; and a capacitance below 0 is a finding.
    let odd: Vec<[Complex64; 4]> = frequencies
        .iter()
        .map(|frequency| {
            let total = PerMetre {
                resistance: 40.0e5 / frequency,
                inductance: 4e-6,
                capacitance: -5e-12,
                conductance: 0.0,
            };
            total.chain(1.0, *frequency).to_scattering(50.0)
        })
        .collect();
    let error = session(&file(frequencies.clone(), odd.clone())).expect_err("no wire");
    assert!(error.contains("without a point in the audio band"), "{error}");
    let low: Vec<f64> = frequencies.iter().map(|frequency| frequency / 5000.0).collect();
    let negative: Vec<[Complex64; 4]> = low
        .iter()
        .map(|frequency| {
            let total = PerMetre { resistance: 0.1, inductance: 4e-6, capacitance: -5e-12, conductance: 0.0 };
            let [a, b, c, d] = total.chain(1.0, *frequency).to_scattering(50.0);
            [a, 0.96 * b, c, d]
        })
        .collect();
    let measured = Cable::TwoPort(TwoPortTable::new(&low, &negative, 50.0));
    let chain = Chain {
        amplifier: Amplifier::lumped(0.05, 1e-6),
        cable: measured,
        loudspeaker: Loudspeaker::resistor(8.0),
    };
    let parameters = chain.parameters(&[1000.0]).expect("solvable");
    assert!(parameters.capacitance_f.is_none() && parameters.loop_inductance_h.is_some(), "{parameters:?}");
    let notes = session(&file(low, negative)).expect("readable");
    assert!(notes.iter().any(|note| note.contains("S12 and S21 differ by 4 %")), "{notes:?}");
    assert!(notes.iter().any(|note| note.contains("below 0")), "{notes:?}");
}
