//! How numbers are printed, the same on every surface: shares, probabilities, risks and counts of things.

/// A proportion as a percentage with as many digits as mean something: "3.8 %", "40 %", "0.02 %"; of a lead, which may be
/// the other side's, "−12 %".
pub fn percent(proportion: f64) -> String {
    if proportion < 0.0 {
        return format!("\u{2212}{}", percent(-proportion));
    }
    let value = proportion * 100.0;
    if value >= 99.95 && proportion < 1.0 {
        return "over 99.9 %".to_string();
    }
    if value == 0.0 || value >= 10.0 {
        let text = format!("{value:.1}");
        return format!("{} %", text.strip_suffix(".0").unwrap_or(&text));
    }
    if value >= 1.0 {
        let text = format!("{value:.1}");
        return format!("{} %", text.strip_suffix(".0").unwrap_or(&text));
    }
    if value >= 0.01 {
        let text = format!("{value:.2}");
        return format!("{} %", text.trim_end_matches('0').trim_end_matches('.'));
    }
    "less than 0.01 %".to_string()
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

/// A small risk as people say it: "once in 26 tests"; as a percentage where it is not small.
pub fn risk(probability: f64) -> String {
    rate(probability, "tests")
}

/// The same of something else than tests.
pub fn rate(probability: f64, of: &str) -> String {
    if probability <= 0.0 || probability < 1e-12 {
        format!("less than once in a million million {of}")
    } else if probability < 1e-6 {
        format!("about once in {} million {of}", grouped((1e-6 / probability).round()))
    } else if probability < 0.095 {
        format!("about once in {} {of}", grouped((1.0 / probability).round()))
    } else if probability < 0.995 {
        format!("in {} of {of}", percent(probability))
    } else {
        "nearly always".to_owned()
    }
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

/// The verb that goes with a number of things.
pub fn verb(number: u64, one: &'static str, many: &'static str) -> &'static str {
    if number == 1 { one } else { many }
}

/// A probability with the digits that mean something: "0.038", "0.0021", "3e-7"; never a false 0 or 1.
pub fn probability(value: f64) -> String {
    if (0.9995..1.0).contains(&value) {
        ">0.999".to_owned()
    } else if value >= 0.1 || value == 0.0 {
        format!("{value:.3}")
    } else if value >= 0.001 {
        let places = (1.0 - value.log10().floor()) as usize;
        format!("{value:.places$}")
    } else {
        format!("{value:.1e}")
    }
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
        assert_eq!(probability(0.038_406), "0.038");
        assert_eq!(probability(0.002_09), "0.0021");
        assert_eq!(probability(0.598), "0.598");
        assert_eq!(probability(3.21e-7), "3.2e-7");
        assert_eq!(probability(1.0), "1.000");
        assert_eq!(probability(0.999_9), ">0.999");
    }
}
