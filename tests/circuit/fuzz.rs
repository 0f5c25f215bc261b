//! Any value under any electrical key: a message with file, line and key, or a session that can be computed; never a panic.

use earwitness::session::{Caution, Session, parse};
use proptest::prelude::*;

/// A whole session around electrical tables; `x` and `none` are its cables.
pub(super) fn session(amplifier: &str, loudspeaker: &str, cable: &str) -> Result<Session, String> {
    let text = format!(
        "title = \"x\"\nprotocol = \"abx\"\ntrials = 16\n[amplifier]\n{amplifier}\n{loudspeaker}\n[cables.x]\n{cable}\n\
         [cables.none]\nconstruction = \"direct\"\n[clips.p]\nsynth = \"plucked-strings\"\nlength = \"10 s\"\n\
         [[comparisons]]\nname = \"c\"\na = \"x\"\nb = \"none\"\nclips = [\"p\"]\n"
    );
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sessions/loads/session.toml");
    parse(&file, &text).map_err(|error| error.to_string())
}

const AMPLIFIER: &str =
    "output_resistance = \"20 mohm\"\noutput_inductance = \"1 uH\"\nlowest_load = \"4 ohm\"";
const FACTOR: &str = "damping_factor = 200\ndamping_load = \"8 ohm\"";
const RESISTOR: &str = "[loudspeaker]\nresistance = \"8 ohm\"\nrated_impedance = \"8 ohm\"";
const DRIVER: &str = "[loudspeaker.driver]\ndc_resistance = \"6 ohm\"\nvoice_coil_inductance = \"0.3 mH\"\nresonance = \"40 \
                      Hz\"\nq_mechanical = 5\nq_electrical = 0.4";
const LOSSY: &str = "[loudspeaker.driver]\ndc_resistance = \"6 ohm\"\ncoil_coefficient = 0.02\ncoil_exponent = \
                     0.7\nresonance = \"40 Hz\"\nq_mechanical = 5\nq_electrical = 0.4";
const NETWORK: &str = "[[loudspeaker.network]]\nplace = \"series\"\ninductance = \"0.5 mH\"\nresistance = \"0.2 \
                       ohm\"\n[[loudspeaker.network]]\nplace = \"shunt\"\ncapacitance = \"10 uF\"\njoined = \
                       \"series\"\n[[loudspeaker.network]]\nplace = \"shunt\"\nresistance = \"6 ohm\"";
const CABLES: [&str; 10] = [
    "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\nspacing = \"3.2 mm\"\npermittivity = \
     3.5\nloss_tangent = 0.02\ntemperature = \"20 C\"\nmaterial = \"copper\"\nstrands = 24\nouter_diameter = \"1.2 mm\"\ncount = 2",
    "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"2.5 mm2\"\nspacing = \"5 mm\"\niec_60228 = \
     \"class-5\"\ntinned = true",
    "construction = \"coaxial\"\nlength = \"6 m\"\nconductor = \"18 AWG\"\nshield_inner_diameter = \"4 \
     mm\"\nshield_thickness = \"0.2 mm\"\nresistivity = \"20 nohm m\"\ntemperature_coefficient = 0.004",
    "construction = \"coaxial\"\nlength = \"6 m\"\nconductor = \"18 AWG\"\nshield_inner_diameter = \"4 \
     mm\"\nshield_resistance = \"10 mohm/m\"",
    "construction = \"ring\"\nlength = \"10 ft\"\nconductor = \"24 AWG\"\nconductors = 8\ncircle_diameter = \"6 \
     mm\"\ntransposed = true",
    "construction = \"braid\"\nlength = \"10 ft\"\nconductor = \"24 AWG\"\nconductors = 8\ncircle_diameter = \"6 \
     mm\"\nlay_length = \"40 mm\"",
    "construction = \"twisted-pairs\"\nlength = \"10 ft\"\nconductor = \"24 AWG\"\npairs = 4\nspacing = \"1 \
     mm\"\nlay_length = \"20 mm\"",
    "construction = \"line\"\nlength = \"10 ft\"\nresistance = \"5 mohm/ft\"\ninductance = \"0.2 uH/ft\"\ncapacitance = \
     \"30 pF/ft\"\nconductance = \"1 nS/m\"",
    "construction = \"lumped\"\nresistance = \"80 mohm\"\ninductance = \"3 uH\"\ncapacitance = \"1 nF\"\nconductance = \
     \"1 uS\"",
    "construction = \"cross-section\"\nlength = \"5 m\"\ntransposed = false\n[[cables.x.conductors]]\npolarity = \
     \"+\"\nx = \"0 mm\"\ny = \"0 mm\"\nconductor = \"1.5 mm2\"\n[[cables.x.conductors]]\npolarity = \"-\"\nx = \"3 \
     mm\"\ny = \"0.5 mm\"\nconductor = \"1.5 mm2\"",
];

/// What people, programs and adversaries write.
const VALUES: [&str; 40] = [
    "0",
    "-1",
    "1",
    "8",
    "nan",
    "inf",
    "-inf",
    "1e308",
    "1e-308",
    "true",
    "[]",
    "{}",
    "\"\"",
    "\"8\"",
    "\"-3 mm\"",
    "\"0 m\"",
    "\"0 ohm\"",
    "\"nan m\"",
    "\"inf ohm\"",
    "\"1e9 m\"",
    "\"1e300 m\"",
    "\"1e-300 m\"",
    "\"1e-9 mm2\"",
    "\"1e9 mm2\"",
    "\"8 volt\"",
    "\"3,2 mm\"",
    "\"3.2 mm\"",
    "\"99 AWG\"",
    "\"4/0 AWG\"",
    "\"1e30 ohm\"",
    "\"1e-30 ohm\"",
    "\"1e12 H\"",
    "\"1e6 F\"",
    "\"1e-40 F\"",
    "\"1e300 ohm/m\"",
    "\"copper\"",
    "\"-274 C\"",
    "\"1e9 C\"",
    "1000000",
    "\"\\u0000\"",
];

/// A sound session cannot be shaken by computing it.
fn compute(session: &Session, what: &str) {
    let frequencies = [0.0, 20.0, 1e3, 2e4];
    // What cannot be computed is refused in words, here as below.
    let _ = Caution::of(session).map_err(|error| assert!(error.to_string().len() > 20, "{what}: {error}"));
    for index in 0..session.cables.len() {
        let chain = session.chain(index);
        match chain.transfer(&frequencies) {
            Ok(response) => assert!(response.iter().all(|value| value.is_finite()), "{what}: {response:?}"),
            Err(error) => assert!(error.to_string().len() > 20, "{what}: {error}"),
        }
    }
}

fn with(table: &str, line: usize, value: &str) -> String {
    let mut lines: Vec<String> = table.lines().map(str::to_owned).collect();
    if let Some((key, _)) = lines[line].clone().split_once(" = ") {
        lines[line] = format!("{key} = {value}");
    }
    lines.join("\n")
}

fn judged(read: Result<Session, String>, what: &str) {
    match read {
        Ok(session) => compute(&session, what),
        Err(error) => {
            let place = error.split_once("session.toml:").map(|(_, rest)| rest).unwrap_or_default();
            let line = place.split(':').next().unwrap_or_default();
            assert!(line.parse::<usize>().is_ok(), "{what}: no line in: {error}");
            assert!(error.len() < 1000, "{what}: {error}");
        }
    }
}

#[test]
fn what_the_fuzzer_starts_from_is_sound() {
    for amplifier in [AMPLIFIER, FACTOR] {
        for load in [RESISTOR, DRIVER, LOSSY, NETWORK] {
            for cable in CABLES {
                let read = session(amplifier, load, cable).unwrap_or_else(|error| panic!("{error}\n{cable}"));
                compute(&read, cable);
            }
        }
    }
}

#[test]
fn absurd_sizes_are_refused_with_line_and_key() {
    for (index, from, to, words) in [
        (0, "6 m", "1e9 m", ["cables.x.length", "nothing arrives"]),
        (7, "10 ft", "1e9 m", ["cables.x.length", "nothing arrives"]),
        (0, "strands = 24", "strands = 1000000", ["cables.x.strands", "100000"]),
        (4, "conductors = 8", "conductors = 1000000", ["cables.x.conductors", "128"]),
        (4, "conductors = 8", "conductors = 7", ["cables.x.conductors", "odd"]),
        (4, "6 mm", "1 mm", ["cables.x.circle_diameter", "touch or overlap"]),
        (6, "1 mm", "0.5 mm", ["cables.x.spacing", "touch or overlap"]),
        (6, "pairs = 4", "pairs = 0", ["cables.x.pairs", "1 to 1000"]),
        (6, "lay_length = \"20 mm\"", "lay_length = \"0 mm\"", ["cables.x.lay_length", "larger than 0"]),
        (9, "3 mm", "1 mm", ["cables.x.conductors", "touch or overlap"]),
        (9, "x = \"3 mm\"", "x = \"nan mm\"", ["conductors[2].x", "not finite"]),
        (9, "polarity = \"-\"", "polarity = \"+\"", ["cables.x.conductors", "polarity"]),
        (0, "0.75 mm2", "-0.75 mm2", ["cables.x.conductor", "larger than 0"]),
        (0, "permittivity = 3.5", "permittivity = 0.5", ["cables.x.permittivity", "1 to 100"]),
        (0, "loss_tangent = 0.02", "loss_tangent = inf", ["cables.x.loss_tangent", "not finite"]),
    ] {
        let cable = CABLES[index].replacen(from, to, 1);
        assert_ne!(cable, CABLES[index], "{from} is there to be replaced");
        let error = session(AMPLIFIER, RESISTOR, &cable).map(|_| ()).expect_err(to);
        assert!(
            error.contains("session.toml:") && words.iter().all(|word| error.contains(word)),
            "{to}: {error}"
        );
    }
    for (amplifier, words) in [
        ("damping_factor = 0", ["amplifier.damping_factor", "outside what is allowed"]),
        ("damping_factor = 200\noutput_resistance = \"40 mohm\"", ["amplifier.damping_factor", "given too"]),
        ("damping_load = \"8 ohm\"", ["amplifier.damping_load", "needs damping_factor"]),
    ] {
        let error = session(amplifier, RESISTOR, CABLES[8]).map(|_| ()).expect_err(amplifier);
        assert!(words.iter().all(|word| error.contains(word)), "{error}");
    }
    let read = session(FACTOR, RESISTOR, CABLES[8]).expect("readable");
    assert!((read.amplifier.impedance(100.0).re - 0.04).abs() < 1e-15, "8 ohm over 200 is 40 mohm");
}

#[test]
fn values_that_no_loudspeaker_or_amplifier_has_are_refused_and_the_right_one_is_blamed() {
    for (amplifier, load, words) in [
        (AMPLIFIER, "[loudspeaker]\nresistance = \"5e-324 ohm\"", ["loudspeaker.resistance", "0.01 ohm to"]),
        (AMPLIFIER, "[loudspeaker]\nresistance = \"1e300 ohm\"", ["loudspeaker.resistance", "0.01 ohm to"]),
        (AMPLIFIER, &DRIVER.replace("6 ohm", "1e-9 ohm"), ["driver.dc_resistance", "0.01 ohm to"]),
        (AMPLIFIER, &DRIVER.replace("40 Hz", "1e-300 Hz"), ["driver.resonance", "0.001 Hz to"]),
        ("output_resistance = \"1e300 ohm\"", RESISTOR, ["amplifier.output_resistance", "1000000 ohm"]),
        ("output_inductance = \"1e300 H\"", RESISTOR, ["amplifier.output_inductance", "0 H to 1 H"]),
    ] {
        let error = session(amplifier, load, CABLES[0]).map(|_| ()).expect_err(load);
        assert!(words.iter().all(|word| error.contains(word)), "{load}: {error}");
    }

    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("session.toml");
    let with_table = |amplifier: bool, row: &str| {
        let table =
            format!("frequency_hz,magnitude_ohm,phase_deg\n20,6,0\n100,{row}\n1000,8,10\n20000,9,30\n");
        std::fs::write(folder.path().join("z.csv"), table).expect("written");
        let (source, load) = if amplifier {
            ("impedance_table = \"z.csv\"", RESISTOR)
        } else {
            (AMPLIFIER, "[loudspeaker]\nimpedance_table = \"z.csv\"")
        };
        let text = format!(
            "title = \"x\"\nprotocol = \"abx\"\ntrials = 16\n[amplifier]\n{source}\n{load}\n[cables.none]\nconstruction = \
             \"direct\"\n[cables.x]\n{}\n[clips.p]\nsynth = \"plucked-strings\"\n[[comparisons]]\nname = \"c\"\na = \"x\"\nb = \
             \"none\"\nclips = [\"p\"]\n",
            CABLES[0]
        );
        parse(&path, &text).map_err(|error| error.to_string())
    };
    for (row, words) in [
        ("8,1e17", ["z.csv:3", "-180 to 180"]),
        ("8,270", ["z.csv:3", "-180 to 180"]),
        ("8,-120", ["loudspeaker.impedance_table", "\u{2212}120.0 degrees at 100 Hz"]),
        ("5e-324,0", ["loudspeaker.impedance_table", "check the unit"]),
        ("1e12,0", ["loudspeaker.impedance_table", "1000000000000 ohm"]),
    ] {
        let error = with_table(false, row).map(|_| ()).expect_err(row);
        assert!(words.iter().all(|word| error.contains(word)), "{row}: {error}");
    }
    // Within an instrument's last digit it is said; of an amplifier too, and never in the loudspeaker's name.
    let said = |amplifier: bool, row: &str| with_table(amplifier, row).expect(row).notes.join("\n");
    assert!(!said(false, "8,89").contains("quarter turn"));
    assert!(said(false, "8,91").contains("91.0 degrees at 100 Hz, beyond a quarter turn"));
    let of_amplifier = said(true, "0.1,-120");
    assert!(of_amplifier.contains("output resistance is negative at 100 Hz"), "{of_amplifier}");
    assert!(!of_amplifier.contains("loudspeaker"), "{of_amplifier}");

    // A resonance of amplifier and load is neither cable's fault.
    let resonant = "output_inductance = \"1 mH\"";
    let load = "[[loudspeaker.network]]\nplace = \"shunt\"\ncapacitance = \"10 uF\"";
    let read = session(resonant, load, CABLES[8]).expect("readable");
    let error = earwitness::stimulus::survey(&read, &earwitness::stimulus::NoProgress)
        .map(|_| ())
        .expect_err("a gain without end")
        .to_string();
    assert!(error.starts_with("amplifier and loudspeaker, without any cable"), "{error}");
    let open =
        "construction = \"lumped\"\nresistance = \"0 ohm\"\ninductance = \"1 mH\"\ncapacitance = \"10 uF\"";
    let read = session("output_resistance = \"0 ohm\"", "[loudspeaker]\nresistance = \"1 kohm\"", open)
        .expect("readable");
    let error = earwitness::stimulus::survey(&read, &earwitness::stimulus::NoProgress)
        .map(|_| ())
        .expect_err("a gain without end")
        .to_string();
    assert!(error.starts_with("cable \"x\": "), "{error}");
}

#[test]
fn every_key_survives_every_value() {
    for value in VALUES {
        for cable in CABLES {
            for line in 0..cable.lines().count() {
                let changed = with(cable, line, value);
                judged(session(AMPLIFIER, RESISTOR, &changed), &changed);
            }
        }
        for load in [RESISTOR, DRIVER, LOSSY, NETWORK] {
            for line in 0..load.lines().count() {
                let changed = with(load, line, value);
                judged(session(AMPLIFIER, &changed, CABLES[8]), &changed);
            }
        }
        for amplifier in [AMPLIFIER, FACTOR] {
            for line in 0..amplifier.lines().count() {
                let changed = with(amplifier, line, value);
                judged(session(&changed, RESISTOR, CABLES[8]), &changed);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn random_numbers_with_random_units_do_no_harm(
        cable in 0..CABLES.len(), line in 0..20_usize, mantissa in -2.0..10.0_f64, exponent in -12..12_i32,
        unit in prop::sample::select(vec!["m", "mm", "ohm", "uH", "H", "pF", "F", "mm2", "AWG", "ohm/m", "uH/m", "S", "C", "ft", "in", ""]),
    ) {
        let value = format!("\"{} {unit}\"", mantissa * 10_f64.powi(exponent));
        let cable = CABLES[cable];
        let changed = with(cable, line % cable.lines().count(), &value);
        judged(session(AMPLIFIER, RESISTOR, &changed), &changed);
    }

    #[test]
    fn random_bytes_are_no_table_and_no_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), rows in "[0-9.,;eE+\\-\\n \\t]{0,80}") {
        use earwitness::circuit::table::{ImpedanceTable, LcrTable, ResponseTable, decode};
        use earwitness::circuit::touchstone;
        for text in [decode(&bytes), format!("Freq;Rs;Ls;Cp\n{rows}"), format!("frequency_hz,gain_db,phase_deg\n{rows}"), format!("# Hz S RI R 50\n{rows}")] {
            let _ = LcrTable::parse(&text, "x", 1.0);
            let _ = ImpedanceTable::parse(&text, "x");
            let _ = ResponseTable::parse(&text, "x");
            let _ = touchstone::parse(&text, "x", 1);
            let _ = touchstone::parse(&text, "x", 2);
        }
    }
}
