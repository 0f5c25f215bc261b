//! Quantities as people write them.

use earwitness::units::{Dimension, parse};

#[test]
fn quantities_are_turned_into_si() {
    for (text, dimension, expected) in [
        ("10 ft", Dimension::Length, 3.048),
        ("3.2mm", Dimension::Length, 3.2e-3),
        ("1e3 \u{b5}m", Dimension::Length, 1e-3),
        ("2 yd", Dimension::Length, 1.8288),
        ("2.5 mm2", Dimension::Area, 2.5e-6),
        ("2.5 mm\u{b2}", Dimension::Area, 2.5e-6),
        ("1.6 mm", Dimension::WireSize, 1.6e-3),
        ("36 AWG", Dimension::WireSize, 0.127e-3),
        ("4/0 awg", Dimension::WireSize, 11.684e-3),
        ("0000 AWG", Dimension::WireSize, 11.684e-3),
        ("20 mohm", Dimension::Resistance, 0.02),
        ("20 m\u{3a9}", Dimension::Resistance, 0.02),
        ("4.7 k\u{2126}", Dimension::Resistance, 4700.0),
        ("0.34 mH", Dimension::Inductance, 0.34e-3),
        ("470 pF", Dimension::Capacitance, 470e-12),
        ("20 kHz", Dimension::Frequency, 2e4),
        ("250 ms", Dimension::Time, 0.25),
        ("2 min", Dimension::Time, 120.0),
        ("300 K", Dimension::Temperature, 26.85),
        ("68 \u{b0}F", Dimension::Temperature, 20.0),
        ("-3 dB", Dimension::Level, -3.0),
        ("0.2 uH/ft", Dimension::InductancePerLength, 0.2e-6 / 0.3048),
        ("30 pF/ft", Dimension::CapacitancePerLength, 30e-12 / 0.3048),
        ("13 mohm/m", Dimension::ResistancePerLength, 0.013),
        ("2.525 ohm/1000 ft", Dimension::ResistancePerLength, 2.525 / 304.8),
    ] {
        let found = parse(text, dimension).unwrap_or_else(|error| panic!("{text}: {error}"));
        assert!((found - expected).abs() <= 1e-12 * expected.abs(), "{text}: {found} is not {expected}");
    }
    let area = parse("2.5 mm2", Dimension::WireSize).expect("an area");
    assert!((std::f64::consts::FRAC_PI_4 * area * area - 2.5e-6).abs() < 1e-18);
}

#[test]
fn letters_of_either_case_are_read_where_nothing_else_is_spelled_so() {
    for (text, dimension, expected) in [
        ("8 Ohms", Dimension::Resistance, 8.0),
        ("8 OHM", Dimension::Resistance, 8.0),
        ("8 Ohm", Dimension::Resistance, 8.0),
        ("20 mOhm", Dimension::Resistance, 0.02),
        ("20 mOHM", Dimension::Resistance, 0.02),
        ("4.7 KOHM", Dimension::Resistance, 4700.0),
        ("1 MOhm", Dimension::Resistance, 1e6),
        ("3 FT", Dimension::Length, 0.9144),
        ("3 Feet", Dimension::Length, 0.9144),
        ("1 Inch", Dimension::Length, 0.0254),
        ("2 KM", Dimension::Length, 2000.0),
        ("100 Mil", Dimension::Length, 2.54e-3),
        ("2 uh", Dimension::Inductance, 2e-6),
        ("2 NH", Dimension::Inductance, 2e-9),
        ("10 NF", Dimension::Capacitance, 1e-8),
        ("10 pf", Dimension::Capacitance, 1e-11),
        ("20 KHZ", Dimension::Frequency, 2e4),
        ("50 hz", Dimension::Frequency, 50.0),
        ("1 MHZ", Dimension::Frequency, 1e6),
        ("2 Min", Dimension::Time, 120.0),
        ("1 DB", Dimension::Level, 1.0),
        ("5 Percent", Dimension::Ratio, 0.05),
        ("17 nOhm m", Dimension::Resistivity, 17e-9),
        ("0.2 uh/FT", Dimension::InductancePerLength, 0.2e-6 / 0.3048),
        ("2.525 Ohms/1000 FT", Dimension::ResistancePerLength, 2.525 / 304.8),
    ] {
        let found = parse(text, dimension).unwrap_or_else(|error| panic!("{text}: {error}"));
        assert!((found - expected).abs() <= 1e-12 * expected.abs(), "{text}: {found} is not {expected}");
    }
    // Milli and mega, pico and peta, circular mils, siemens and seconds, henry and hour.
    for (text, dimension) in [
        ("1 MOHM", Dimension::Resistance),
        ("1 MH", Dimension::Inductance),
        ("1 PH", Dimension::Inductance),
        ("1 h", Dimension::Inductance),
        ("1 MF", Dimension::Capacitance),
        ("1 PF", Dimension::Capacitance),
        ("1 f", Dimension::Capacitance),
        ("1 us", Dimension::Conductance),
        ("1 US", Dimension::Conductance),
        ("1 US", Dimension::Time),
        ("1 S", Dimension::Time),
        ("1 H", Dimension::Time),
        ("1 MM", Dimension::Length),
        ("1 M", Dimension::Length),
        ("1 CM", Dimension::Length),
        ("1 mhz", Dimension::Frequency),
    ] {
        parse(text, dimension).expect_err(text);
    }
}

#[test]
fn complaints_name_the_units() {
    for (text, dimension, words) in [
        ("10", Dimension::Length, ["no unit", "mm", "ft"]),
        ("8", Dimension::Resistance, ["no unit", "mohm", "ohm"]),
        ("10 ohm", Dimension::Length, ["a resistance", "a length is expected", "ft"]),
        ("10 parsec", Dimension::Length, ["parsec", "not a unit of a length", "yd"]),
        ("nan m", Dimension::Length, ["nan", "not finite", "a length"]),
        ("inf ohm", Dimension::Resistance, ["inf", "not finite", "a resistance"]),
        ("1e999 m", Dimension::Length, ["1e999", "too large", "finite"]),
        ("3,2 mm", Dimension::Length, ["3,2", "point", "3.2 mm"]),
        ("99 AWG", Dimension::WireSize, ["99 AWG", "0 to 50", "2/0"]),
        ("", Dimension::Time, ["empty", "a time", "min"]),
        ("-300 C", Dimension::Temperature, ["-300 C", "absolute zero", "-273.15"]),
    ] {
        let error = parse(text, dimension).expect_err(text).to_string();
        for word in words {
            assert!(error.contains(word), "{text}: \"{word}\" is missing in: {error}");
        }
    }
}
