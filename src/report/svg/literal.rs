//! Figures as files of their own: literal colours on every element, for programs that know no style sheets.
//!
//! Browsers follow the page's style, with its variables, into dark mode; other programs draw what stands on the element.
//! Both come from one style sheet, so they cannot differ.

use std::fmt::Write as _;

use super::STYLE;

/// One rule of the style sheet: what it applies to and its declarations.
struct Rule<'s> {
    /// An element's name, or empty for any.
    element: &'s str,
    /// Classes that an element must have.
    classes: Vec<&'s str>,
    declarations: Vec<(&'s str, &'s str)>,
}

/// The values of the variables in the rule `:root` that begins at `marker`.
fn variables(marker: &str) -> Vec<(&'static str, &'static str)> {
    let Some((_, rest)) = STYLE.split_once(marker) else { return Vec::new() };
    let Some(body) = rest.split_once(":root{").and_then(|(_, rest)| rest.split_once('}')) else {
        return Vec::new();
    };
    body.0.split(';').filter_map(|one| one.split_once(':')).collect()
}

/// The style sheet's rules for figures.
fn rules() -> Vec<Rule<'static>> {
    STYLE
        .lines()
        .filter_map(|line| line.strip_prefix("svg.figure")?.split_once('{'))
        .map(|(selector, body)| {
            let mut parts = selector.trim().split('.');
            let element = parts.next().unwrap_or_default();
            Rule {
                element: if selector.trim().is_empty() { "svg" } else { element },
                classes: parts.collect(),
                declarations: body
                    .trim_end_matches('}')
                    .split(';')
                    .filter_map(|one| one.split_once(':'))
                    .filter(|(property, _)| *property != "display")
                    .collect(),
            }
        })
        .collect()
}

fn resolved(value: &str, variables: &[(&str, &str)]) -> String {
    let name = value.strip_prefix("var(").and_then(|rest| rest.strip_suffix(')'));
    let found = name.and_then(|name| variables.iter().find(|(known, _)| *known == name));
    found.map_or(value, |(_, literal)| literal).to_owned()
}

/// The figure's elements with everything that the style sheet says of them, in the colours of paper, as attributes.
pub(super) fn with_attributes(svg: &str) -> String {
    let (rules, variables) = (rules(), variables(""));
    let mut out = String::with_capacity(2 * svg.len());
    let mut rest = svg;
    while let Some(at) = rest.find('<') {
        let (before, tag) = rest.split_at(at);
        out.push_str(before);
        let end = tag.find('>').map_or(tag.len(), |end| end + 1);
        let (tag, after) = tag.split_at(end);
        rest = after;
        let element: &str = tag[1..].split(|c: char| !c.is_alphanumeric()).next().unwrap_or_default();
        if !matches!(element, "svg" | "path" | "rect" | "circle" | "text") || tag.starts_with("</") {
            out.push_str(tag);
            continue;
        }
        let classes: Vec<&str> = tag
            .split_once("class=\"")
            .and_then(|(_, rest)| rest.split_once('"'))
            .map_or_else(Vec::new, |(classes, _)| classes.split(' ').collect());
        let mut declared: Vec<(&str, String)> = Vec::new();
        for rule in &rules {
            let applies = (rule.element.is_empty() || rule.element == element)
                && rule.classes.iter().all(|class| classes.contains(class));
            if applies {
                for (property, value) in &rule.declarations {
                    declared.retain(|(known, _)| known != property);
                    declared.push((property, resolved(value, &variables)));
                }
            }
        }
        let own = declared.iter().find(|(property, _)| *property == "color").map(|(_, value)| value.clone());
        out.push('<');
        out.push_str(element);
        for (property, value) in declared.iter().filter(|(property, _)| *property != "color") {
            let value = if value == "currentColor" {
                own.clone().unwrap_or_default()
            } else {
                value.replace('"', "&quot;")
            };
            let _ = write!(out, " {property}=\"{value}\"");
        }
        out.push_str(&tag[1 + element.len()..]);
    }
    out.push_str(rest);
    out
}

/// The style of a file of its own: nothing but dark mode, in literal colours.
pub(super) fn dark_style() -> String {
    let variables = variables("prefers-color-scheme:dark");
    let mut style = String::from("@media (prefers-color-scheme:dark){");
    let coloured = |line: &&str| {
        line.starts_with("svg.figure") && (line.contains("var(") || line.contains("currentColor"))
    };
    for rule in STYLE.lines().filter(coloured) {
        let mut literal = rule.to_owned();
        for (name, value) in &variables {
            literal = literal.replace(&format!("var({name})"), value);
        }
        style.push_str(&literal);
    }
    style.push('}');
    style
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_element_says_its_own_colour() {
        let svg = with_attributes(
            "<svg class=\"figure\" viewBox=\"0 0 1 1\"><title>a &lt; b</title><rect class=\"paper\"/><path class=\"line t2\" \
             d=\"M0 0\"/><text x=\"1\">a</text><text class=\"label\">b</text></svg>",
        );
        assert!(svg.contains("<rect fill=\"#fbfaf7\" class=\"paper\"/>"), "{svg}");
        assert!(svg.contains("stroke=\"#a03e16\"") && svg.contains("stroke-dasharray=\"9 4\""), "{svg}");
        assert!(svg.contains("<text fill=\"#1d2327\" x=\"1\">"), "{svg}");
        assert!(svg.contains("<text fill=\"#4f5a63\" class=\"label\">"), "{svg}");
        assert!(svg.contains("font-size=\"12.5px\"") && svg.contains("&quot;Helvetica Neue&quot;"), "{svg}");
        assert!(!svg.contains("var(") && !svg.contains("currentColor"), "{svg}");
        assert!(svg.contains("<title>a &lt; b</title>") && svg.ends_with("</svg>"), "{svg}");
    }

    #[test]
    fn dark_mode_has_literal_colours_too() {
        let style = dark_style();
        assert!(style.contains("#14181b") && style.contains("#6cc5d1") && !style.contains("var("), "{style}");
        assert_eq!(style.matches('{').count(), style.matches('}').count());
    }
}
