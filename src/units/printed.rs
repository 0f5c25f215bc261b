//! How numbers are printed, the same on every surface. No other room formats a p-value, a percentage or decibels, and a
//! test reads the sources and holds it.
//!
//! | what | function | looks like |
//! | --- | --- | --- |
//! | a share that was found or computed | [`percent`] | "76 %", "0.4 %", "over 99.9 %" |
//! | a share that somebody chose (a risk, a level, a power) | [`stated`] | "5 %", "2.5 %" |
//! | a probability that was computed | [`uncertain`], then one of these | "over 99.9 %", "in nearly all tests" |
//! | a small share of a measurement (distortion, noise) | [`fine_percent`] | "0.0012 %" |
//! | a p-value in a sentence, in a cell | [`p_value`], [`probability`] | "p = 0.038", "0.038" |
//! | odds | [`risk`], [`rate`] | "once in 93 tests", "in 40 of 100 tests" |
//! | a difference in level | [`decibels`], [`signed_decibels`] | "0.44 dB", "−0.44 dB" |
//! | the same with its uncertainty (95 %) | [`plus_minus`] | "0.037 ± 0.012 dB (95 %)" |
//! | what an instrument reads, with the digits that it knows | [`fixed`], [`signed`] | "−39.1 dBFS", "+2.31 ppm" |
//! | frequencies, resistances, times | [`hertz`], [`ohms`], [`seconds`] | "1.25 kHz", "0.072 ohm", "1 min 30 s" |
//! | a multiple | [`significant`] | "1.8", "27" |
//! | things that are counted | [`count`], [`verb`] | "1 trial", "16 trials" |
//! | the start of a sentence | [`capital`] | "Said same as A" |
//! | what goes into a file, to so many decimals | [`rounded`] | 0.123 |
//! | a moment | [`moment`] | "1 February 2026 at 19:30 UTC" |
//!
//! Texts hold plain spaces; the surfaces that break lines keep a number and its unit together with [`unbroken`].

/// What is printed for a value that is no number.
const UNKNOWN: &str = "unknown";

/// A number with so many decimals, for files: what machines compute a little differently is published as one. Never -0.0.
pub fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (value * scale).round() / scale + 0.0
}

/// A share that was found or computed: whole percent from 1 to 99, one decimal outside, and never a false "0 %" or "100 %".
/// Of a lead, which may be the other side's, "−12 %".
pub fn percent(proportion: f64) -> String {
    if proportion.is_nan() {
        return UNKNOWN.to_owned();
    }
    if proportion < 0.0 {
        return match percent(-proportion).strip_prefix("under ") {
            Some(small) => format!("0 to \u{2212}{small}"),
            None => format!("\u{2212}{}", percent(-proportion)),
        };
    }
    let value = proportion * 100.0;
    let tenths = (value * 10.0).round();
    if proportion == 0.0 || proportion == 1.0 || (10.0..=990.0).contains(&tenths) || tenths > 1000.0 {
        format!("{value:.0} %")
    } else if tenths == 0.0 {
        "under 0.1 %".to_owned()
    } else if tenths == 1000.0 && proportion < 1.0 {
        "over 99.9 %".to_owned()
    } else {
        format!("{value:.1} %")
    }
}

/// A share that somebody chose, with the digits that it was given: "5 %", "2.5 %", "0.1 %". One that was computed after all,
/// as from a d-prime, is printed as [`percent`] prints it.
pub fn stated(proportion: f64) -> String {
    let text = format!("{:.2}", proportion * 100.0);
    let exact =
        text.parse::<f64>().is_ok_and(|given| given > 0.0 && (given - proportion * 100.0).abs() < 1e-9);
    if exact { format!("{} %", trimmed(&text)) } else { percent(proportion) }
}

/// A probability that was computed and cannot be 0 or 1, however near it comes to them in floating point: it is printed as
/// "under 0.1 %" and "over 99.9 %", "in nearly all tests".
pub fn uncertain(probability: f64) -> f64 {
    probability.clamp(f64::MIN_POSITIVE, 1.0 - f64::EPSILON)
}

/// A share of a measurement, in percent, with two digits however small it is: "1.3 %", "0.00012 %".
pub fn fine_percent(percent: f64) -> String {
    if !percent.is_finite() {
        return UNKNOWN.to_owned();
    }
    format!("{} %", two_digits(percent))
}

/// Two significant digits without an exponent down to a millionth, and whole numbers from 10 on.
fn two_digits(value: f64) -> String {
    let size = value.abs();
    if size == 0.0 {
        return "0".to_owned();
    }
    if size < 1e-6 {
        return format!("{value:.1e}").replacen('-', "\u{2212}", usize::from(value < 0.0));
    }
    with_minus(value, usize::try_from(1 - rounded_exponent(size)).unwrap_or(0))
}

/// The power of ten of a positive number once it is rounded to two digits.
fn rounded_exponent(size: f64) -> i32 {
    let text = format!("{size:.1e}");
    text.rsplit_once('e').and_then(|(_, exponent)| exponent.parse().ok()).unwrap_or(0)
}

fn trimmed(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

/// A number with a true minus sign, and none where nothing is left of it.
fn with_minus(value: f64, places: usize) -> String {
    let size = format!("{:.places$}", value.abs());
    let nothing = size.bytes().all(|digit| matches!(digit, b'0' | b'.'));
    if value < 0.0 && !nothing { format!("\u{2212}{size}") } else { size }
}

/// A reading with its unit, if it has one, and as many decimals as it is known to: "−39.1 dBFS", "8.25 ohm".
pub fn fixed(value: f64, places: usize, unit: &str) -> String {
    if value.is_nan() {
        return UNKNOWN.to_owned();
    }
    let number = with_minus(value, places);
    if unit.is_empty() { number } else { format!("{number} {unit}") }
}

/// The same with its sign where it is more than 0: "+2.31 ppm".
pub fn signed(value: f64, places: usize, unit: &str) -> String {
    let text = fixed(value, places, unit);
    let positive = value > 0.0 && text.bytes().any(|digit| matches!(digit, b'1'..=b'9'));
    if positive { format!("+{text}") } else { text }
}

/// The size of a difference in level, in dB: two decimals, and never a false nothing.
pub fn decibels(value: f64) -> String {
    if value != 0.0 && value.abs() < 0.005 { "under 0.01 dB".to_owned() } else { fixed(value, 2, "dB") }
}

/// A level against another, in dB: "+0.44 dB", "−0.44 dB", "0.00 dB".
pub fn signed_decibels(value: f64) -> String {
    signed(value, 2, "dB")
}

/// A size in dB with its expanded uncertainty (95 %), both to the second digit of the latter (JCGM 100:2008, 7.2.6), and not
/// beyond thousandths: "0.037 ± 0.012 dB (95 %)".
pub fn plus_minus(value: f64, expanded: f64) -> String {
    if !(expanded > 0.0 && expanded.is_finite() && value.is_finite()) {
        return decibels(value);
    }
    let places = usize::try_from(1 - rounded_exponent(expanded)).unwrap_or(0).min(3);
    let expanded = format!("{expanded:.places$}");
    if expanded.bytes().all(|digit| matches!(digit, b'0' | b'.')) {
        return decibels(value);
    }
    format!("{} ± {expanded} dB (95 %)", with_minus(value, places))
}

/// A frequency in Hz with three digits: "52 Hz", "1.25 kHz".
pub fn hertz(value: f64) -> String {
    let three = |value: f64| {
        let places = (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 9.0) as usize;
        trimmed(&format!("{value:.places$}")).to_owned()
    };
    let text = three(value);
    if value < 999.5 { format!("{text} Hz") } else { format!("{} kHz", three(value / 1000.0)) }
}

/// A resistance in ohm with three digits: "0.072 ohm", "8 ohm".
pub fn ohms(value: f64) -> String {
    let places = (2.0 - value.abs().max(1e-3).log10().floor()).clamp(0.0, 4.0) as usize;
    format!("{} ohm", trimmed(&with_minus(value, places)))
}

/// A time in seconds as people say it: "350 ms", "8.5 s", "1 min 30 s", "2 h 5 min".
pub fn seconds(value: f64) -> String {
    let whole = value.round();
    if value.is_nan() {
        UNKNOWN.to_owned()
    } else if value != 0.0 && value.abs() < 0.9995 {
        fixed(value * 1000.0, 0, "ms")
    } else if value < 9.95 {
        format!("{} s", trimmed(&with_minus(value, 1)))
    } else if whole < 60.0 {
        format!("{whole} s")
    } else if whole < 3600.0 {
        let (minutes, rest) = ((whole / 60.0).floor(), whole % 60.0);
        if rest == 0.0 { format!("{minutes} min") } else { format!("{minutes} min {rest} s") }
    } else {
        let minutes = (value / 60.0).round();
        let (hours, rest) = ((minutes / 60.0).floor(), minutes % 60.0);
        if rest == 0.0 { format!("{hours} h") } else { format!("{hours} h {rest} min") }
    }
}

/// A multiple with the digits that mean something: two, and a third up to 1.2, where two would be a step of
/// nearly ten per cent: "0.35", "1.03", "1.8", "4.2", "27", "112".
pub fn significant(value: f64) -> String {
    if value <= 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let power = value.log10().floor() as i32;
    let digits = if value / 10.0_f64.powi(power) < 1.2 { 3 } else { 2 };
    let scale = 10.0_f64.powi(digits - 1 - power);
    let rounded = (value * scale).round() / scale;
    // Rounding up may add a digit: 9.96 is 10, not 10.0. A third digit that is 0 says nothing: 1.0, not 1.00.
    let places = (1 - rounded.log10().floor() as i32).max(0) as usize;
    let short = format!("{rounded:.places$}");
    let same = short.parse::<f64>().is_ok_and(|short| (short / rounded - 1.0).abs() < 1e-9);
    if same { short } else { format!("{rounded:.0$}", places + usize::from(rounded < 100.0)) }
}

/// A number as somebody wrote it, to say what is wrong with it; one of hundreds of digits with an exponent.
pub fn written(value: f64) -> String {
    if value == 0.0 || (1e-9..1e15).contains(&value.abs()) || !value.is_finite() {
        format!("{value}")
    } else {
        format!("{value:e}")
    }
}

/// A small risk as people say it: "once in 26 tests"; where it is not small, "in 40 of 100 tests".
pub fn risk(probability: f64) -> String {
    rate(probability, "tests")
}

/// The same of something else than tests.
pub fn rate(probability: f64, of: &str) -> String {
    if probability.is_nan() {
        UNKNOWN.to_owned()
    } else if probability < 1e-12 {
        format!("less than once in a million million {of}")
    } else if probability < 0.095 {
        format!("once in {} {of}", round_number(1.0 / probability))
    } else if probability < 0.995 {
        format!("in {:.0} of 100 {of}", probability * 100.0)
    } else if probability < 1.0 {
        format!("in nearly all {of}")
    } else {
        format!("in all {of}")
    }
}

/// A number of tests as it is said: "93", "1,400", "2.7 million".
fn round_number(value: f64) -> String {
    if value < 999.5 {
        return format!("{value:.0}");
    }
    let scale = 10_f64.powi(rounded_exponent(value) - 1);
    let rounded = (value / scale).round() * scale;
    if rounded < 1e6 {
        return grouped(rounded);
    }
    let millions = rounded / 1e6;
    format!(
        "{} million",
        if millions < 10.0 { trimmed(&format!("{millions:.1}")).to_owned() } else { grouped(millions) }
    )
}

fn grouped(value: f64) -> String {
    let digits = format!("{value:.0}");
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index) % 3 == 0 {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// "1 trial", "16 trials".
pub fn count(number: u64, one: &str) -> String {
    if number == 1 { format!("1 {one}") } else { format!("{number} {one}s") }
}

/// A text that begins a sentence.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// The verb that goes with a number of things.
pub fn verb(number: u64, one: &'static str, many: &'static str) -> &'static str {
    if number == 1 { one } else { many }
}

/// A p-value or another probability, alone in a cell: two digits, "0.038", "0.60", "3.2e-7"; never a false 0 or 1.
pub fn probability(value: f64) -> String {
    if value.is_nan() {
        UNKNOWN.to_owned()
    } else if value >= 1.0 {
        "1".to_owned()
    } else if value > 0.995 {
        ">0.99".to_owned()
    } else if value <= 0.0 {
        // No test excludes guessing for certain; the number was too small to compute with.
        "<1e-300".to_owned()
    } else if value >= 0.000_095 {
        with_minus(value, usize::try_from(1 - rounded_exponent(value)).unwrap_or(0))
    } else {
        format!("{value:.1e}")
    }
}

/// About how many votes of a room chance makes right, as phones print it too: "8", "5.3", from 20 on whole.
pub fn about_votes(votes: f64) -> String {
    rounded(votes, i32::from(votes < 20.0)).to_string()
}

/// A p-value in a sentence: "p = 0.038", "p > 0.99".
pub fn p_value(value: f64) -> String {
    let text = probability(value);
    match (text.strip_prefix('>'), text.strip_prefix('<')) {
        (Some(bound), _) => format!("p > {bound}"),
        (_, Some(bound)) => format!("p < {bound}"),
        _ => format!("p = {text}"),
    }
}

/// Units and signs that never begin a line after their number.
const UNITS: [&str; 40] = [
    "%", "dB", "dBFS", "dBTP", "dBV", "Hz", "kHz", "ohm", "mohm", "ohms", "Ω", "mΩ", "s", "ms", "µs", "us",
    "min", "h", "m", "cm", "mm", "mm2", "mm²", "km", "ft", "AWG", "µH", "uH", "nH", "mH", "µH/m", "pF", "nF",
    "pF/m", "W", "V", "°C", "ppm", "bit", "SPL",
];

/// Text in which a number stays on the line of its unit, "p" on that of its value and "±" on that of what follows: the spaces
/// between are no-break spaces. For whatever breaks lines: pages, phones, screens.
pub fn unbroken(text: &str) -> String {
    joined(text, false)
}

/// See [`unbroken`]; with versions on the line of their program.
fn joined(text: &str, versions: bool) -> String {
    let mut kept = String::with_capacity(text.len() + 8);
    let mut words = text.split(' ').peekable();
    while let Some(word) = words.next() {
        kept.push_str(word);
        let Some(next) = words.peek() else { break };
        let number = word.ends_with(|last: char| last.is_ascii_digit());
        let bare = next.trim_end_matches([',', '.', ';', ':', ')', '?', '!']);
        let relation = |sign: &str| matches!(sign, "=" | ">" | "<");
        let together = (number && UNITS.contains(&bare))
            || (word == "±" || *next == "±")
            || (word.trim_start_matches('(') == "p" && relation(next))
            || (relation(word) && next.starts_with(|first: char| first.is_ascii_digit()))
            || (versions && is_version(bare));
        kept.push(if together { '\u{a0}' } else { ' ' });
    }
    kept
}

/// [`unbroken`] for terminals, which are given plain spaces in the end: a version stays with its program, and what is between
/// backticks in one piece, since it is to be copied. A backtick without its partner holds nothing.
pub fn unbroken_to_copy(text: &str) -> String {
    let kept = joined(text, true);
    let mut pieces = kept.split('`').peekable();
    let mut whole = String::with_capacity(kept.len() + 8);
    let mut inside = false;
    while let Some(piece) = pieces.next() {
        let closed = pieces.peek().is_some();
        if inside && closed {
            whole.push_str(&piece.replace(' ', "\u{a0}"));
        } else {
            whole.push_str(piece);
        }
        if closed {
            whole.push('`');
        }
        inside = !inside;
    }
    whole
}

/// "0.9.12": three numbers with points between them, and what is said of the build behind a plus or a dash.
fn is_version(word: &str) -> bool {
    let numbers = word.split(['+', '-']).next().unwrap_or_default();
    let is_number = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    numbers.split('.').count() == 3 && numbers.split('.').all(is_number)
}

/// A UTC time of a record as people write it: "1 February 2026 at 19:30 UTC"; of a date alone "1 February 2026 (UTC)". What
/// is neither stays as it is.
pub fn moment(utc: &str) -> String {
    if utc.len() == "2026-02-01".len() {
        return utc
            .parse::<jiff::civil::Date>()
            .map_or_else(|_| utc.to_owned(), |date| date.strftime("%-d %B %Y (UTC)").to_string());
    }
    utc.parse::<jiff::civil::DateTime>()
        .map_or_else(|_| utc.to_owned(), |time| time.strftime("%-d %B %Y at %H:%M UTC").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_read_as_people_write_them() {
        assert_eq!(moment("2026-02-01 19:30:05"), "1 February 2026 at 19:30 UTC");
        assert_eq!(moment("2026-12-24"), "24 December 2026 (UTC)");
        assert_eq!(moment("2026-02-30 19:30:05"), "2026-02-30 19:30:05", "no day of a calendar");
        assert_eq!(moment("some evening"), "some evening");
    }

    #[test]
    fn multiples_keep_the_digits_that_mean_something() {
        for (value, text) in [
            (0.3502, "0.35"),
            (1.0, "1.0"),
            (1.03, "1.03"),
            (1.1999, "1.2"),
            (1.9999, "2.0"),
            (11.2, "11.2"),
            (15.9, "16"),
            (0.112, "0.112"),
            (4.21, "4.2"),
            (9.96, "10"),
            (27.3, "27"),
            (128.0, "130"),
            (264.0, "260"),
            (0.0996, "0.10"),
        ] {
            assert_eq!(significant(value), text);
        }
    }

    #[test]
    fn probabilities_keep_two_digits_and_never_round_to_nothing() {
        for (value, cell, sentence) in [
            (0.038_406, "0.038", "p = 0.038"),
            (0.002_09, "0.0021", "p = 0.0021"),
            (0.598, "0.60", "p = 0.60"),
            (0.0996, "0.10", "p = 0.10"),
            (0.000_1, "0.00010", "p = 0.00010"),
            (3.21e-7, "3.2e-7", "p = 3.2e-7"),
            (0.0, "<1e-300", "p < 1e-300"),
            (0.9951, ">0.99", "p > 0.99"),
            (1.0, "1", "p = 1"),
        ] {
            assert_eq!((probability(value).as_str(), p_value(value).as_str()), (cell, sentence));
        }
    }

    #[test]
    fn shares_are_whole_where_that_is_enough_and_never_falsely_nothing_or_all() {
        for (share, text) in [
            (0.0, "0 %"),
            (0.000_4, "under 0.1 %"),
            (0.003_84, "0.4 %"),
            (0.009_6, "1 %"),
            (1.0 / 3.0, "33 %"),
            (0.756, "76 %"),
            (0.9904, "99 %"),
            (0.9962, "99.6 %"),
            (0.999_8, "over 99.9 %"),
            (1.0, "100 %"),
            (-0.118, "\u{2212}12 %"),
            (-0.000_1, "0 to \u{2212}0.1 %"),
        ] {
            assert_eq!(percent(share), text);
        }
        assert_eq!(
            (stated(0.05), stated(0.025), stated(0.001)),
            ("5 %".into(), "2.5 %".into(), "0.1 %".into())
        );
        assert_eq!((fine_percent(0.000_123), fine_percent(1.26)), ("0.00012 %".into(), "1.3 %".into()));
    }

    #[test]
    fn odds_are_natural_frequencies() {
        for (value, text) in [
            (0.010_7, "once in 93 tests"),
            (0.038_4, "once in 26 tests"),
            (0.641, "in 64 of 100 tests"),
            (0.000_7, "once in 1,400 tests"),
            (3.7e-7, "once in 2.7 million tests"),
            (1.0 / 999_800.0, "once in 1 million tests"),
            (1e-13, "less than once in a million million tests"),
            (0.998, "in nearly all tests"),
            (1.0, "in all tests"),
        ] {
            assert_eq!(risk(value), text);
        }
    }

    #[test]
    fn quantities_keep_their_digits_and_a_true_minus_sign() {
        assert_eq!((decibels(0.441), decibels(0.000_9)), ("0.44 dB".into(), "under 0.01 dB".into()));
        assert_eq!(
            (signed_decibels(-0.441), signed_decibels(-0.001)),
            ("\u{2212}0.44 dB".into(), "0.00 dB".into())
        );
        assert_eq!(
            (signed(2.314, 2, "ppm"), fixed(-39.06, 1, "dBFS")),
            ("+2.31 ppm".into(), "\u{2212}39.1 dBFS".into())
        );
        assert_eq!(
            (hertz(506.3), hertz(999.7), hertz(1250.0)),
            ("506 Hz".into(), "1 kHz".into(), "1.25 kHz".into())
        );
        assert_eq!(
            (ohms(0.0724), ohms(8.0), ohms(3.456)),
            ("0.0724 ohm".into(), "8 ohm".into(), "3.46 ohm".into())
        );
        let times = [0.0, 0.35, 0.9996, 8.52, 12.4, 59.7, 90.0, 3599.8, 7500.0];
        let said = ["0 s", "350 ms", "1 s", "8.5 s", "12 s", "1 min", "1 min 30 s", "1 h", "2 h 5 min"];
        assert_eq!(times.map(seconds), said);
    }

    #[test]
    fn votes_by_chance_are_printed_as_phones_print_them() {
        let said = [0.0, 0.25, 5.333, 18.0, 19.96, 21.5, 59.96].map(about_votes);
        assert_eq!(said, ["0", "0.3", "5.3", "18", "20", "22", "60"]);
    }

    #[test]
    fn a_number_stays_with_its_unit() {
        let text = "heard 0.44 dB, 76 % of 10 trials (p = 0.038) and 0.5 ± 0.1 dB at 3 kHz.";
        assert_eq!(
            unbroken(text).replace('\u{a0}', "_"),
            "heard 0.44_dB, 76_% of 10 trials (p_=_0.038) and 0.5_±_0.1_dB at 3_kHz."
        );
        assert_eq!(
            unbroken_to_copy("by earwitness 0.9.12 (2 trials)").replace('\u{a0}', "_"),
            "by earwitness_0.9.12 (2 trials)"
        );
        assert_eq!(unbroken_to_copy("a `b c` d `e f").replace('\u{a0}', "_"), "a `b_c` d `e f");
    }

    /// A printed number back as a number, without what stands before and after it.
    fn read(text: &str) -> f64 {
        let plain: String = text.replace('\u{2212}', "-").chars().filter(|c| *c != ',').collect();
        let number = |word: &str| word.trim_start_matches(['>', '<']).parse::<f64>().ok();
        let value = plain.split(' ').find_map(number).expect("a number is printed");
        if plain.contains(" million") { value * 1e6 } else { value }
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig { cases: 2000, ..Default::default() })]

        #[test]
        fn whatever_is_printed_is_near_what_was_meant(power in -14.0..0.0_f64, above in proptest::bool::ANY) {
            // From far below to far above, dense at both ends of a probability.
            let small = 10_f64.powf(power);
            let value = if above { 1.0 - small } else { small };
            let share = percent(value);
            proptest::prop_assert!((read(&share) - 100.0 * value).abs() <= 0.5 + 1e-9, "{value}: {share}");
            proptest::prop_assert!(value == 1.0 || (share != "0 %" && share != "100 %"), "{value}: {share}");
            proptest::prop_assert_eq!(percent(-value).contains('-'), false);
            // A power comes from a sum that may reach 1 to the last bit, or lose all of a tail.
            for computed in [value, 0.0, 1.0] {
                let (share, odds) = (percent(uncertain(computed)), rate(uncertain(computed), "tests"));
                proptest::prop_assert!(share != "0 %" && share != "100 %" && odds != "in all tests", "{computed}: {share}, {odds}");
            }

            let cell = probability(value);
            proptest::prop_assert!((read(&cell) / value - 1.0).abs() < 0.051, "{value}: {cell}");
            proptest::prop_assert!(value == 1.0 || !matches!(cell.as_str(), "0" | "1" | "1.0" | "1.00" | "0.0" | "0.00"));
            proptest::prop_assert!(!p_value(value).contains("= >") && !p_value(value).contains("= <"));
            let digits = cell.split('e').next().unwrap_or_default().trim_start_matches(['>', '0', '.']);
            proptest::prop_assert!(value == 1.0 || digits.chars().filter(char::is_ascii_digit).count() == 2, "{value}: {cell}");

            let odds = risk(value);
            if odds.starts_with("once") {
                let once = odds.trim_start_matches("once in ");
                proptest::prop_assert!((read(once) * value - 1.0).abs() < 0.06, "{value}: {odds}");
            } else if value >= 0.995 {
                let all = if value < 1.0 { "in nearly all tests" } else { "in all tests" };
                proptest::prop_assert_eq!(&odds, all);
            } else if value >= 0.095 {
                proptest::prop_assert!((read(&odds) - 100.0 * value).abs() <= 0.5, "{value}: {odds}");
            }
        }

        #[test]
        fn no_quantity_is_a_negative_nothing(value in -20.0..20.0_f64, small in proptest::bool::ANY) {
            let value = if small { value * 1e-4 } else { value };
            for text in [decibels(value), signed_decibels(value), fixed(value, 1, "dBFS"), signed(value, 3, "ppm"), ohms(value)] {
                let nothing = !text.bytes().any(|digit| matches!(digit, b'1'..=b'9'));
                proptest::prop_assert!(!text.contains('-'), "{text}");
                proptest::prop_assert!(!nothing || !text.contains(['+', '\u{2212}']), "{text}");
                proptest::prop_assert!((read(text.trim_start_matches("under ")) - value).abs() <= 0.0501 || text.starts_with("under"), "{value}: {text}");
            }
        }
    }
}
