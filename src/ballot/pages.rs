//! The two pages and what belongs to them, all inside the binary. They ask nobody else for anything.

use std::sync::LazyLock;

use maud::{DOCTYPE, Markup, html};

/// How the phone's page looks.
pub(super) const STYLE: &str = include_str!("pages/night.css");
/// How the room's display looks.
pub(super) const ROOM_STYLE: &str = include_str!("pages/room.css");
/// Every text of both pages in every language; see the test of this file.
const TEXTS: &str = include_str!("pages/texts.json");
/// What both pages' scripts share.
pub(super) const COMMON_SCRIPT: &str = include_str!("pages/common.js");
/// The phone's script.
pub(super) const PHONE_SCRIPT: &str = include_str!("pages/phone.js");
/// The phone's hand.
pub(super) const HAND_SCRIPT: &str = include_str!("pages/hand.js");
/// The phone's chain of links.
pub(super) const LINKS_SCRIPT: &str = include_str!("pages/links.js");
/// The phone's own result.
pub(super) const RESULT_SCRIPT: &str = include_str!("pages/result.js");
/// The script of the room's display.
pub(super) const ROOM_SCRIPT: &str = include_str!("pages/room.js");

/// The script of a witness's page.
pub(super) const WITNESS_SCRIPT: &str = include_str!("pages/witness.js");
/// The script of the operator's page.
pub(super) const OPERATOR_SCRIPT: &str = include_str!("pages/operator.js");

/// The texts as a script.
pub(super) fn texts() -> &'static str {
    static SCRIPT: LazyLock<String> =
        LazyLock::new(|| format!("var earwitnessTexts = {};\n", TEXTS.trim_end()));
    &SCRIPT
}

/// A listener's page.
pub(super) fn phone() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| {
        let body = html! {
            header { p.brand { "Earwitness" } p #who .who {} }
            p #network .network role="alert" {}
            main #main {
                h1 { "Listening night" }
                p { "One moment, please." }
                noscript { p { "This page needs script. Ask the host for a paper ballot." } }
            }
            p #spoken .spoken role="status" aria-live="polite" {}
        };
        page("phone", "Listening night", "night", &body).into_string()
    });
    &PAGE
}

/// The room's display.
pub(super) fn room() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| {
        let body = html! {
            header { p #where {} p #corner {} }
            p #network .network role="alert" {}
            main #main {
                h1 .matter { "Room display" }
                noscript { p .matter { "This page needs script. The host's terminal has the same display." } }
            }
            footer { p #foot {} }
        };
        page("room", "Room display", "room", &body).into_string()
    });
    &PAGE
}

/// A witness's page.
pub(super) fn witness() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| of_a_sitting("Witness", "/witness.js"));
    &PAGE
}

/// The operator's page.
pub(super) fn operator() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| of_a_sitting("Operator", "/operator.js"));
    &PAGE
}

/// A page that belongs to one sitting, and to one person beside it.
fn of_a_sitting(who: &str, script: &str) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { (who) }
                link rel="stylesheet" href="/night.css";
                script src="/hand.js" defer {}
                script src=(script) defer {}
            }
            body .phone {
                header { p.brand { "Earwitness" } p.who { (who) } }
                p #network .network role="alert" {}
                main #main { noscript { p { "This page needs script." } } }
                p #spoken .spoken role="status" aria-live="polite" {}
            }
        }
    };
    page.into_string()
}

fn page(kind: &str, title: &str, style: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { (title) }
                link rel="stylesheet" href={ "/" (style) ".css" };
                script src="/texts.js" defer {}
                script src="/common.js" defer {}
                @if kind == "phone" { script src="/hand.js" defer {} script src="/links.js" defer {} script src="/result.js" defer {} }
                script src={ "/" (kind) ".js" } defer {}
            }
            body class=(kind) { (body) }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, BTreeSet};

    use super::*;
    use crate::ballot::Refusal;
    use crate::stats::Protocol;
    use crate::trial::Definition;

    type Texts = BTreeMap<String, Vec<String>>;

    fn placeholders(text: &str) -> BTreeSet<&str> {
        text.split('{').skip(1).filter_map(|rest| rest.split_once('}')).map(|(name, _)| name).collect()
    }

    #[test]
    fn every_text_is_there_in_every_language_with_the_same_values() {
        let texts: Texts = serde_json::from_str(TEXTS).expect("a table of texts");
        let languages = texts["languages"].len();
        assert_eq!(texts["languages"], ["en", "de", "fr", "es", "ja"]);
        for (key, all) in &texts {
            assert_eq!(all.len(), languages, "{key}");
            let wanted = placeholders(&all[0]);
            for text in all {
                assert!(!text.trim().is_empty() && text.trim() == text, "{key}: {text:?}");
                assert_eq!(placeholders(text), wanted, "{key}: {text}");
                // Phones of 320 px and the display are laid out for English; the others may be this much longer.
                let most = all[0].chars().count() * 9 / 5 + 14;
                assert!(text.chars().count() <= most, "{key}: {text} is longer than {most} characters");
            }
        }
    }

    /// Whatever a phone can be told is told in its language.
    #[test]
    fn every_refusal_of_a_phone_is_in_the_table() {
        use Refusal::{
            Alias, Alternative, Busy, Code, DoorShut, Full, Hand, HandsOver, HostName, Left, Link, Malformed,
            ManySeats, NotOpen, NotSeated, OtherTrial, Over, Pace, PaperSeat, Replayed, SeatNumber,
            SeatTaken, Table,
        };
        let texts: Texts = serde_json::from_str(TEXTS).expect("a table of texts");
        // Only the host meets the others; a released seat has a text with its number.
        for refusal in [
            Alias,
            Alternative,
            Busy,
            Code,
            DoorShut,
            Full,
            Hand,
            HandsOver,
            HostName,
            Left,
            Link,
            Malformed,
            ManySeats,
            NotOpen,
            NotSeated,
            OtherTrial,
            Over,
            Pace,
            PaperSeat,
            Replayed,
            SeatNumber,
            SeatTaken(3),
            Table(2),
        ] {
            let key = format!("refused.{}", refusal.name());
            assert!(texts.contains_key(&key), "{key}: {}", refusal.message());
        }
        let known = |key: &str| texts.contains_key(key);
        assert!(known("released") && !known("refused.released"));
    }

    #[test]
    fn scripts_name_no_text_that_is_not_there_and_no_text_is_left_over() {
        let texts: Texts = serde_json::from_str(TEXTS).expect("a table of texts");
        let scripts = [COMMON_SCRIPT, PHONE_SCRIPT, LINKS_SCRIPT, RESULT_SCRIPT, ROOM_SCRIPT].join("\n");
        let quoted: BTreeSet<&str> = scripts.split('"').collect();
        // A key that is put together begins with what is quoted.
        let begun = |key: &str| quoted.iter().any(|part| part.ends_with('.') && key.starts_with(part));
        for key in texts.keys().filter(|key| *key != "languages") {
            assert!(quoted.contains(key.trim_end_matches(".1")) || begun(key), "nobody says {key}");
        }
        for (before, rest) in
            scripts.match_indices("text(\"").map(|(at, call)| (&scripts[..at], &scripts[at + call.len()..]))
        {
            let key = rest.split('"').next().unwrap_or_default();
            let ours = !before.ends_with("Con") && !key.ends_with('.');
            assert!(!ours || texts.contains_key(key), "no text has the key {key}");
        }
        for protocol in Protocol::ALL {
            let definition = Definition::of(protocol);
            assert!(texts.contains_key(&format!("question.{}", definition.name)));
            for alternative in definition.alternatives {
                assert!(texts.contains_key(&format!("choice.{}.{}", definition.name, alternative.name)));
            }
        }
    }
}
