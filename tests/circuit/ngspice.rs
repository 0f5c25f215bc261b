//! Against ngspice, on netlists that the tests write.

use std::fmt::Write as _;

use earwitness::circuit::line::{Line, LineParameters, PerMetre};
use earwitness::circuit::loudspeaker::{Driver, Load, VoiceCoil};
use earwitness::circuit::network::{Branch, Joined, Network, Place, Terminals, Way};
use earwitness::circuit::{Amplifier, Cable, Chain, Loudspeaker};
use num_complex::Complex64;

use super::{branch, lumped, near};

/// Voltages at the node `out` over a source of one volt at the node `src`, over frequency in Hz.
fn spice(elements: &str, sweep: &str) -> Vec<(f64, Complex64)> {
    let netlist = format!(
        "written by a test\nV1 src 0 AC 1\n{elements}\n.control\nset numdgt=15\nset wr_singlescale\nac {sweep}\n\
         wrdata result.txt vr(out) vi(out)\nquit\n.endc\n.end\n"
    );
    let folder = tempfile::tempdir().expect("a temporary folder");
    std::fs::write(folder.path().join("net.cir"), &netlist).expect("written");
    let ran = std::process::Command::new("ngspice")
        .args(["-b", "net.cir"])
        .current_dir(folder.path())
        .output()
        .expect("ngspice is installed by tests/run");
    let text = std::fs::read_to_string(folder.path().join("result.txt"))
        .unwrap_or_else(|_| panic!("{netlist}\n{}", String::from_utf8_lossy(&ran.stderr)));
    let rows: Vec<(f64, Complex64)> = text
        .lines()
        .filter_map(|row| {
            let numbers: Vec<f64> = row.split_whitespace().filter_map(|word| word.parse().ok()).collect();
            (numbers.len() == 3).then(|| (numbers[0], Complex64::new(numbers[1], numbers[2])))
        })
        .collect();
    assert!(rows.len() > 10, "{netlist}\n{text}");
    rows
}

fn agree(chain: &Chain, rows: &[(f64, Complex64)], relative: f64, what: &str) {
    let frequencies: Vec<f64> = rows.iter().map(|row| row.0).collect();
    let found = chain.transfer(&frequencies).expect("solvable");
    for (found, (frequency, expected)) in found.iter().zip(rows) {
        near(*found, *expected, relative, &format!("{what}, {frequency} Hz"));
    }
}

fn resistor(cable: Cable) -> Chain {
    Chain { amplifier: Amplifier::lumped(0.04, 1.5e-6), cable, loudspeaker: Loudspeaker::resistor(5.6) }
}

#[test]
fn two_lumped_sections_behind_an_amplifier_with_inductance() {
    let cable = Cable::Series(vec![lumped(0.12, 3e-6, 800e-12), lumped(0.03, 1e-6, 4e-9)]);
    let rows = spice(
        "RS src a 0.04\nLS a in 1.5u\nC1 in 0 400p\nR1 in b 0.12\nL1 b m 3u\nC2 m 0 400p\nC3 m 0 2n\nR2 m c 0.03\nL2 c \
         out 1u\nC4 out 0 2n\nRL out 0 5.6",
        "dec 10 10 1meg",
    );
    agree(&resistor(cable), &rows, 1e-9, "two sections");
}

#[test]
fn unequal_lumped_cables_side_by_side() {
    let cable = Cable::Parallel(vec![lumped(0.12, 3e-6, 0.0), lumped(0.02, 9e-6, 2e-9)]);
    let rows = spice(
        "RS src a 0.04\nLS a in 1.5u\nR1 in b 0.12\nL1 b out 3u\nC1 in 0 1n\nR2 in c 0.02\nL2 c out 9u\nC2 out 0 1n\nRL \
         out 0 5.6",
        "dec 10 10 1meg",
    );
    agree(&resistor(cable), &rows, 1e-9, "side by side");
}

const METRE: PerMetre =
    PerMetre { resistance: 0.02, inductance: 0.55e-6, capacitance: 70e-12, conductance: 2e-8 };

/// A line of `length_m` as so many equal pi sections.
fn ladder(length_m: f64, sections: usize) -> String {
    let step = length_m / sections as f64;
    let node = |index: usize| match index {
        0 => "in".to_owned(),
        index if index == sections => "out".to_owned(),
        index => format!("n{index}"),
    };
    let mut text = String::from("RS src a 0.04\nLS a in 1.5u\nRL out 0 5.6\n");
    for index in 0..sections {
        let (from, to) = (node(index), node(index + 1));
        let _ = write!(
            text,
            "R{index} {from} x{index} {:e}\nL{index} x{index} {to} {:e}\n",
            METRE.resistance * step,
            METRE.inductance * step
        );
        for (side, at) in ["a", "b"].iter().zip([&from, &to]) {
            let _ = write!(
                text,
                "C{index}{side} {at} 0 {:e}\nG{index}{side} {at} 0 {at} 0 {:e}\n",
                0.5 * METRE.capacitance * step,
                0.5 * METRE.conductance * step
            );
        }
    }
    text
}

#[test]
fn a_ladder_of_many_sections_is_the_distributed_line() {
    for (length_m, sections, relative) in [(20.0, 60, 2e-6), (500.0, 300, 1e-5)] {
        let rows = spice(&ladder(length_m, sections), "dec 6 10 100k");
        let step = length_m / sections as f64;
        let one = Cable::Lumped(PerMetre {
            resistance: METRE.resistance * step,
            inductance: METRE.inductance * step,
            capacitance: METRE.capacitance * step,
            conductance: METRE.conductance * step,
        });
        agree(&resistor(Cable::Series(vec![one; sections])), &rows, 1e-8, "the same sections");
        let parameters = LineParameters::Constant { per_metre: METRE, loss_tangent: 0.0 };
        let line = Cable::Line(Line { length_m, parameters });
        // A pi section departs from its piece of line by the square of its electrical length over six.
        agree(&resistor(line), &rows, relative, "the line");
    }
}

/// ngspice's own lossy line (LTRA, by convolution in time and closed form over frequency; R, L and C, no G).
#[test]
fn the_lossy_line_of_ngspice_is_the_distributed_line() {
    let rows = spice(
        ".model cable LTRA rel=1.2 r=0.02 l=0.55u g=0 c=70p len=300\nRS src a 0.04\nLS a in 1.5u\nO1 in 0 out 0 cable\nRL out 0 \
         5.6",
        "dec 8 10 1meg",
    );
    let per_metre = PerMetre { conductance: 0.0, ..METRE };
    let parameters = LineParameters::Constant { per_metre, loss_tangent: 0.0 };
    agree(&resistor(Cable::Line(Line { length_m: 300.0, parameters })), &rows, 1e-9, "LTRA");
}

/// A driver, and the same as elements from `node` to ground: Re and Le in series with Res, Cmes and Lces side by side
/// (Small 1972: Res = Re Qms/Qes, Cmes = Qes/(w Re), Lces = Re/(w Qes)).
fn driver(node: &str, re: f64, le: f64, fs: f64, qms: f64, qes: f64) -> (Branch, String) {
    let omega = std::f64::consts::TAU * fs;
    let text = format!(
        "R{node}e {node} {node}1 {re:e}\nL{node}e {node}1 {node}2 {le:e}\nR{node}m {node}2 0 {:e}\nC{node}m {node}2 0 {:e}\n\
         L{node}m {node}2 0 {:e}\n",
        re * qms / qes,
        qes / (omega * re),
        re / (omega * qes)
    );
    let driver = Driver {
        dc_resistance_ohm: re,
        voice_coil: VoiceCoil::Inductance(le),
        resonance_hz: fs,
        q_mechanical: qms,
        q_electrical: qes,
    };
    let branch = Branch { driver: Some(driver), ..branch(None, None, None) };
    (branch, text)
}

/// A three-way crossover with three drivers: woofer 2.2 mH and 68 uF, midrange 33 uF, 0.39 mH and 10 uF with 1 ohm, tweeter
/// 4.7 uF, 0.2 mH and a notch of 1 mH, 2.2 uF and 10 ohm.
fn three_ways() -> (Network, String) {
    let (woofer, woofer_text) = driver("w", 5.4, 0.9e-3, 32.0, 4.0, 0.35);
    let (midrange, midrange_text) = driver("m", 5.8, 0.25e-3, 210.0, 3.0, 0.7);
    let (tweeter, tweeter_text) = driver("t", 4.9, 0.04e-3, 950.0, 2.5, 1.1);
    let way = |name: &str, terminals, branches| Way { name: name.to_owned(), terminals, branches };
    let notch = Branch { joined: Joined::Series, ..branch(Some(10.0), Some(1e-3), Some(2.2e-6)) };
    let network = Network {
        ways: vec![
            way(
                "woofer",
                Terminals::Low,
                vec![
                    (Place::Series, branch(Some(0.2), Some(2.2e-3), None)),
                    (Place::Shunt, branch(None, None, Some(68e-6))),
                    (Place::Shunt, woofer),
                ],
            ),
            way(
                "midrange",
                Terminals::High,
                vec![
                    (Place::Series, branch(None, None, Some(33e-6))),
                    (Place::Series, branch(Some(1.0), Some(0.39e-3), None)),
                    (Place::Shunt, branch(None, None, Some(10e-6))),
                    (Place::Shunt, midrange),
                ],
            ),
            way(
                "tweeter",
                Terminals::High,
                vec![
                    (Place::Series, branch(None, None, Some(4.7e-6))),
                    (Place::Shunt, branch(None, Some(0.2e-3), None)),
                    (Place::Shunt, notch),
                    (Place::Shunt, tweeter),
                ],
            ),
        ],
    };
    let text = format!(
        "RW1 low w0 0.2\nLW1 w0 w 2.2m\nCW1 w 0 68u\n{woofer_text}CM1 high m0 33u\nRM1 m0 m9 1\nLM1 m9 m 0.39m\nCM2 m 0 10u\n\
         {midrange_text}CT1 high t 4.7u\nLT1 t 0 0.2m\nRN t t8 10\nLN t8 t9 1m\nCN t9 0 2.2u\n{tweeter_text}"
    );
    (network, text)
}

fn with_load(cable: Cable, network: Network) -> Chain {
    let mut chain = resistor(cable);
    chain.loudspeaker.load = Load::Network(network);
    chain
}

#[test]
fn a_three_way_crossover_with_its_drivers_behind_a_cable() {
    let (network, text) = three_ways();
    let joined = text.replace(" low ", " out ").replace(" high ", " out ").replace("RW1 low", "RW1 out");
    let rows = spice(
        &format!("RS src a 0.04\nLS a in 1.5u\nC1 in 0 1n\nR1 in b 0.15\nL1 b out 4u\nC2 out 0 1n\n{joined}"),
        "dec 12 10 100k",
    );
    let chain = with_load(lumped(0.15, 4e-6, 2e-9), network.clone());
    agree(&chain, &rows, 1e-8, "three ways");
    // The load alone, as a voltage divider with one ohm.
    let rows = spice(&format!("RS src out 1\n{joined}"), "dec 12 10 100k");
    for (frequency, expected) in rows {
        let load = network.immittance(frequency).to_impedance();
        near(load / (load + 1.0), expected, 1e-8, &format!("load at {frequency} Hz"));
    }
}

/// Each pair of terminals gets the voltage that ngspice finds at it; the chain's answer lies between the two, nearer to the
/// pair whose drivers get more power.
#[test]
fn bi_wiring_has_the_voltages_of_both_pairs_of_terminals() {
    let (network, text) = three_ways();
    let chain = with_load(
        Cable::BiWired {
            low: Box::new(lumped(0.1, 5e-6, 0.0)),
            high: Box::new(lumped(0.3, 2e-6, 0.0)),
            heard: earwitness::circuit::cable::BiWiredVoltage::PowerMean,
        },
        network.clone(),
    );
    let wires = "RS src a 0.04\nLS a in 1.5u\nRA in b 0.1\nLA b low 5u\nRB in c 0.3\nLB c high 2u\n";
    let at = |pair: &str| spice(&format!("{wires}{text}E1 out 0 {pair} 0 1\nRE out 0 1k"), "dec 12 10 100k");
    let (low, high) = (at("low"), at("high"));
    let drive = |terminals, frequency| -> f64 {
        network
            .ways
            .iter()
            .filter(|way| way.terminals == terminals)
            .map(|way| way.drive(frequency).norm_sqr())
            .sum()
    };
    for ((frequency, low), (_, high)) in low.iter().zip(&high) {
        let (woofer, others) = (drive(Terminals::Low, *frequency), drive(Terminals::High, *frequency));
        let expected = (low * woofer + high * others) / (woofer + others);
        near(chain.transfer(&[*frequency]).expect("solvable")[0], expected, 1e-8, &format!("{frequency} Hz"));
    }
}
