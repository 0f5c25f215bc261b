//! The page checks itself: journals, the words of receipts and the protocols as data in the page, and one script that derives
//! everything again in the reader's browser when it is asked to. Nothing is loaded, and nothing else may run.

use maud::{Markup, PreEscaped, html};
use serde_json::{Map, Value, json};

use crate::evidence::Published;
use crate::report::model::Report;
use crate::stats::Protocol;
use crate::trial::{Definition, Digest, Side, words};

const SCRIPT: &str = include_str!("self_check.js");

/// What a content security policy lets run: this script, by the SHA-256 of its bytes, and no other.
pub(super) fn policy() -> String {
    format!("script-src 'sha256-{}'; ", base64(&Digest::of(SCRIPT.as_bytes()).0))
}

/// Base64 with padding (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for three in bytes.chunks(3) {
        let number = three.iter().fold(0_u32, |number, &byte| number << 8 | u32::from(byte))
            << (8 * (3 - three.len()));
        for place in 0..4 {
            let letter = LETTERS[(number >> (18 - 6 * place) & 63) as usize];
            text.push(if place <= three.len() { char::from(letter) } else { '=' });
        }
    }
    text
}

/// Text of an element that is read by a script: as short as HTML allows, since journals are full of quotation marks.
fn raw(text: &str) -> PreEscaped<String> {
    PreEscaped(text.replace('&', "&amp;").replace('<', "&lt;"))
}

/// Every protocol as the script needs it: the sides of each order, the answers, and which one counts.
fn protocols() -> Value {
    let side = |side: &Side| if *side == Side::A { 'a' } else { 'b' };
    let of = |protocol: Protocol| {
        let definition = Definition::of(protocol);
        let counts = |more: Side| -> Vec<Option<usize>> {
            let for_b = |order: usize| {
                (0..definition.alternatives.len())
                    .find(|alternative| definition.chosen(order, *alternative) == Some(Side::B))
            };
            (0..definition.orders.len())
                .map(|order| definition.right(order, more).or_else(|| for_b(order)))
                .collect()
        };
        json!({
            "orders": definition.orders.iter().map(|order| order.iter().map(side).collect::<String>()).collect::<Vec<_>>(),
            "answers": definition.alternatives.iter().map(|alternative| alternative.name).collect::<Vec<_>>(),
            "right": {"a": counts(Side::A), "b": counts(Side::B)},
        })
    };
    Value::Object(
        Protocol::ALL
            .iter()
            .map(|&protocol| (protocol.name().to_owned(), of(protocol)))
            .collect::<Map<_, _>>(),
    )
}

pub(super) fn section(report: &Report) -> Markup {
    let journals =
        || report.sittings.iter().enumerate().map(|(number, sitting)| (number, &sitting.published));
    let there = journals()
        .filter(|(_, published)| matches!(published, Published::Whole(_) | Published::WithoutNames(_)));
    let withheld = journals().any(|(_, published)| matches!(published, Published::WithoutNames(_)));
    let count = there.count();
    html! {
        h3.screen id="self-check" { "Check it here" }
        @if count == 0 {
            p { "No journal of a sitting that is used is in this page, so there is nothing to check here." }
        } @else {
            p.screen {
                "Your browser can check every draw and every score, with what is in this page and without any "
                "connection. It reads the journals below as they were written on the disk."
            }
            @if withheld {
                p {
                    "Names are withheld" @if !report.anonymous { " where a listener asked for another name" }
                    ", so such a sitting can be checked only from its key on: seal, draws, scores. Its "
                    "chain, its hands and its receipt hold names: they can be checked with the journal's file."
                }
            } @else {
                p.small.screen { "The journals hold all that was recorded, the names of listeners and of the sound device among it." }
            }
            div id="self-check-tools" hidden {
                p id="self-check-lock" hidden {
                    label for="self-check-lock-key" {
                        "The key of a lock, as " code { "earwitness verify --passphrase" } " prints it"
                    } " "
                    input id="self-check-lock-key" type="text" size="40" autocomplete="off" spellcheck="false";
                }
                p { button id="self-check-button" type="button" { "Check " (super::count(count, "sitting")) " now" } }
            }
            div id="self-check-results" role="status" {
                p.small {
                    "Nothing was checked here yet. In a browser that runs no scripts, check by hand: "
                    code { "earwitness verify --format" } " prints the written format, a page of any programming language is "
                    "enough to follow it, and the journals stand in the source of this page."
                }
            }
            div id="self-check-receipt" hidden {
                p {
                    label for="self-check-kept" { "A receipt that you kept" } " "
                    input id="self-check-kept" type="text" size="40" autocomplete="off" spellcheck="false"; " "
                    button id="self-check-hold" type="button" { "Compare it with the journals" }
                }
                p {
                    label for="self-check-copy" { "A copy that a witness saved" } " "
                    input id="self-check-copy" type="file" accept=".json,application/json";
                }
                p id="self-check-held" role="status" {}
            }
            (PreEscaped(JOURNALS))
            pre id="self-check-words" hidden { (words::words().join(" ")) }
            pre id="self-check-protocols" hidden { (raw(&protocols().to_string())) }
            script { (PreEscaped(SCRIPT)) }
        }
        h4 { "What this cannot prove" }
        ul.caveats.text {
            li { "That this is the page that was published. Someone who changes a page can change its script too, so trust the "
                "programs and files that you have from elsewhere." }
            li { "That no journal was left out or rewritten as a whole: only a receipt or a witness's copy, kept elsewhere, shows that." }
            li { "That the sound was what the session describes, and who sat there and heard it." }
            li { "That the passphrase of a locked sitting was asked for, unless you type the lock's key, which "
                code { "earwitness verify --passphrase" } " makes of the passphrase." }
            li { "That the verdict's sentence and p-values follow from the score: " code { "earwitness report" } " computes them anew." }
        }
    }
}

/// What stands in the page for the [`journals`]. No text of anybody's can hold it: in those every `<` is escaped.
pub(super) const JOURNALS: &str = "<!--journals-->";

/// The journals as they stand in the page, each by itself.
pub(super) fn journals(report: &Report) -> impl Iterator<Item = String> {
    let journal = |(number, published): (usize, &Published)| {
        let whole = |names: &str, text: &str| {
            html! { pre.self-check-journal hidden data-sitting=(number) data-names=(names) { (raw(text)) } }
        };
        match published {
            Published::TooLong(bytes) => super::unbroken(
                &html! {
                    p.small {
                        "Sitting " (number + 1) " is too long for this page (" (bytes / (1 << 20)) " MiB): check its journal's file."
                    }
                }
                .into_string(),
            ),
            Published::Whole(text) => whole("shown", text).into_string(),
            Published::WithoutNames(text) => whole("withheld", text).into_string(),
            Published::Nothing => String::new(),
        }
    };
    report.sittings.iter().map(|sitting| &sitting.published).enumerate().map(journal)
}

#[cfg(test)]
mod tests {
    #[test]
    fn base64_of_rfc_4648() {
        // RFC 4648, section 10.
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, expected) in vectors {
            assert_eq!(super::base64(plain.as_bytes()), expected);
        }
    }
}
