//! Whether two names as people type them mean the same person.

/// Whether both names are the same, whatever their case, accents and spaces: "Zoë  Álvarez" is "zoe alvarez". Latin
/// letters are compared without their accents; letters of other scripts as they are. Two spellings of one person
/// ("Bob", "Robert") are two names here.
///
/// ```
/// assert!(earwitness::session::same_person("Zoë  Álvarez", " zoe ALVAREZ"));
/// assert!(!earwitness::session::same_person("Ada", "Adam"));
/// ```
pub fn same_person(one: &str, other: &str) -> bool {
    folded(one) == folded(other)
}

/// What two names of the [same person](same_person) have in common.
pub fn folded(name: &str) -> String {
    let words: Vec<String> =
        name.split_whitespace().map(|word| word.to_lowercase().chars().filter_map(plain).collect()).collect();
    words.join(" ")
}

/// Accented letters of Latin-1 and Latin Extended-A (Unicode), lower case, with the letter that each is made from.
const ACCENTED: [(&str, char); 19] = [
    ("àáâãäåāăą", 'a'),
    ("çćĉċč", 'c'),
    ("ďđð", 'd'),
    ("èéêëēĕėęě", 'e'),
    ("ĝğġģ", 'g'),
    ("ĥħ", 'h'),
    ("ìíîïĩīĭįı", 'i'),
    ("ĵ", 'j'),
    ("ķ", 'k'),
    ("ĺļľŀł", 'l'),
    ("ñńņňŋ", 'n'),
    ("òóôõöøōŏő", 'o'),
    ("ŕŗř", 'r'),
    ("śŝşšș", 's'),
    ("ţťŧț", 't'),
    ("ùúûüũūŭůűų", 'u'),
    ("ŵ", 'w'),
    ("ýÿŷ", 'y'),
    ("źżž", 'z'),
];

/// A letter without its accent; a combining accent is nothing.
fn plain(letter: char) -> Option<char> {
    if ('\u{300}'..='\u{36f}').contains(&letter) {
        return None;
    }
    Some(ACCENTED.iter().find(|(accented, _)| accented.contains(letter)).map_or(letter, |(_, base)| *base))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_accents_and_spaces_do_not_make_another_person() {
        for (one, other) in [
            ("Ada", "ADA"),
            ("Zoë", "zoe"),
            // The same letter written as one character and as two.
            ("Zoe\u{308}", "Zoë"),
            ("  Łukasz\tNowak ", "lukasz nowak"),
            ("ÅSA", "asa"),
            ("日本", "日本"),
        ] {
            assert!(same_person(one, other), "{one} {other}");
        }
        for (one, other) in [("Ada", "Adam"), ("Ada B", "AdaB"), ("Mia", "Mja"), ("Иван", "Ivan")] {
            assert!(!same_person(one, other), "{one} {other}");
        }
    }
}
