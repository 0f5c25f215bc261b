//! The two pages and what belongs to them, all inside the binary. They ask nobody else for anything.

use std::sync::LazyLock;

use maud::{DOCTYPE, Markup, html};

/// How both pages look.
pub(super) const STYLE: &str = include_str!("pages/night.css");
/// What both pages' scripts share.
pub(super) const COMMON_SCRIPT: &str = include_str!("pages/common.js");
/// The phone's script.
pub(super) const PHONE_SCRIPT: &str = include_str!("pages/phone.js");
/// The phone's hand.
pub(super) const HAND_SCRIPT: &str = include_str!("pages/hand.js");
/// The script of the room's display.
pub(super) const ROOM_SCRIPT: &str = include_str!("pages/room.js");

/// A listener's page.
pub(super) fn phone() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| {
        let below = html! { p #spoken .spoken role="status" aria-live="polite" {} };
        page("phone", "Listening night", "Ask the host for a paper ballot.", &below).into_string()
    });
    &PAGE
}

/// The room's display.
pub(super) fn room() -> &'static str {
    static PAGE: LazyLock<String> = LazyLock::new(|| {
        page("room", "Room display", "The host's terminal has the same display.", &html! {}).into_string()
    });
    &PAGE
}

fn page(kind: &str, title: &str, without_script: &str, below: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { (title) }
                link rel="stylesheet" href="/night.css";
                script src="/common.js" defer {}
                @if kind == "phone" { script src="/hand.js" defer {} }
                script src={ "/" (kind) ".js" } defer {}
            }
            body class=(kind) {
                header { p.brand { "Earwitness" } p #who .who {} }
                p #network .network role="alert" {}
                main #main {
                    h1 { (title) }
                    p { "One moment, please." }
                    noscript { p { "This page needs script. " (without_script) } }
                }
                (below)
            }
        }
    }
}
