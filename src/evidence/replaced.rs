//! Names replaced where they stand as words of their own, and nowhere inside others.

/// Replaces a name where it stands by itself: "Al" in "Al owes Ida a dinner", not in "also".
pub(super) fn name(text: &str, name: &str, instead: &str) -> String {
    replaced(text, &[Known { name: name.to_owned(), any_case: false, instead: instead.to_owned() }])
}

/// A name that is withheld.
#[derive(Debug)]
pub(super) struct Known {
    pub(super) name: String,
    /// Also where it is written in other letters, "IDA" or "ida".
    pub(super) any_case: bool,
    pub(super) instead: String,
}

impl Known {
    /// What follows the name in a text that begins with it, by itself.
    fn stripped<'t>(&self, text: &'t str) -> Option<&'t str> {
        let mut rest = text.chars();
        for letter in self.name.chars() {
            let found = rest.next()?;
            if found != letter && !(self.any_case && found.to_lowercase().eq(letter.to_lowercase())) {
                return None;
            }
        }
        let rest = rest.as_str();
        (!rest.starts_with(char::is_alphanumeric)).then_some(rest)
    }
}

/// Replaces names in one pass, so that what stands instead of one is not taken for another; the first that fits counts.
pub(super) fn replaced(text: &str, names: &[Known]) -> String {
    let mut out = String::with_capacity(text.len());
    let (mut rest, mut before) = (text, None::<char>);
    while let Some(letter) = rest.chars().next() {
        let found = if before.is_some_and(char::is_alphanumeric) {
            None
        } else {
            names
                .iter()
                .find_map(|known| Some((known, known.stripped(rest).filter(|_| !known.name.is_empty())?)))
        };
        if let Some((known, after)) = found {
            out.push_str(&known.instead);
            (rest, before) = (after, known.name.chars().next_back());
        } else {
            out.push(letter);
            (rest, before) = (&rest[letter.len_utf8()..], Some(letter));
        }
    }
    out
}
