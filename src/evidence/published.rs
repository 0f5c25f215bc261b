//! What of a journal stands in a report, so that its readers can check the sitting by themselves.
//!
//! The whole journal, byte for byte, where its names may be shown; else the records that draws and scores are derived from,
//! without a name, a text, a time or a file in them: by a list of what is kept, so that a new field is withheld until
//! somebody decides otherwise.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

/// Longest journal that a report holds, in bytes: an evening of a hundred listeners.
pub const LONGEST: usize = 2 << 20;

/// What a report holds of a journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Published {
    /// All of it.
    Whole(String),
    /// One JSON document a line: the records that can be shown without names.
    WithoutNames(String),
    /// It is too long; its length in bytes.
    TooLong(usize),
    /// It is not used, so it is not shown.
    Nothing,
}

impl Published {
    /// A journal's bytes, as far as they may be shown.
    pub fn of(bytes: Vec<u8>, names: bool) -> Self {
        match String::from_utf8(bytes) {
            Ok(text) if text.len() > LONGEST => Self::TooLong(text.len()),
            Ok(text) if names => Self::Whole(text),
            Ok(text) => Self::WithoutNames(without_names(&text)),
            Err(_) => Self::Nothing,
        }
    }
}

/// Keys of a JSON object, those that are there.
fn kept(value: &Value, keys: &[&str]) -> Value {
    let there = keys.iter().filter_map(|&key| Some((key.to_owned(), value.get(key)?.clone())));
    Value::Object(there.collect::<Map<String, Value>>())
}

fn each(value: &Value, of: impl Fn(&Value) -> Value) -> Value {
    value.as_array().map_or(Value::Null, |items| Value::Array(items.iter().map(of).collect()))
}

/// The records that draws and scores are derived from. Votes are put together by trial, in alphabetical order, so that they
/// say nothing about seats.
fn without_names(journal: &str) -> String {
    let mut votes: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
    let records: Vec<Value> = journal
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok())
        .map(|mut line| line["record"].take())
        .collect();
    for record in records.iter().filter(|record| record["kind"] == "vote") {
        let of = votes.entry(record["id"].to_string()).or_default();
        of.insert(record["seat"].to_string(), record["answer"].as_str().unwrap_or_default().to_owned());
    }
    let shown = records.iter().filter_map(|record| {
        Some(match record["kind"].as_str()? {
            "opening" => {
                let mut opening = kept(record, &["kind", "format", "occasion", "commitment", "simulated"]);
                let terms = &record["terms"];
                let keys = ["protocol", "attribute_side", "trials", "warm_up", "stopping", "qualification"];
                opening["terms"] = kept(terms, &keys);
                opening["terms"]["comparisons"] = each(&terms["comparisons"], |_| json!({}));
                opening["terms"]["controls"] =
                    each(&terms["controls"], |control| kept(control, &["control", "trials", "more"]));
                opening["stimuli"] =
                    each(&record["stimuli"], |stimulus| kept(stimulus, &["comparison", "control"]));
                opening
            }
            "sealed" => kept(record, &["kind"]),
            "resumed" | "resealed" => kept(record, &["kind", "commitment"]),
            "witness-joined" => kept(record, &["kind", "witness", "end"]),
            "link-opened" => kept(record, &["kind", "witness", "link"]),
            "links-passed" => kept(record, &["kind", "id", "missing"]),
            "answer" => kept(record, &["kind", "id", "answer"]),
            "void" | "votes-void" => kept(record, &["kind", "id"]),
            "votes-closed" => {
                let mut answers: Vec<&String> =
                    votes.get(&record["id"].to_string()).map_or_else(Vec::new, |of| of.values().collect());
                answers.sort_unstable();
                json!({"kind": "votes", "id": record["id"], "answers": answers})
            }
            "closing" => {
                kept(record, &["kind", "outcome", "secret", "key", "earlier", "counts", "simulated"])
            }
            _ => return None,
        })
    });
    shown.map(|record| record.to_string() + "\n").collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_that_nobody_decided_about_is_withheld() {
        let line = r#"{"number":1,"record":{"kind":"answer","id":{"part":"main"},"answer":"a","listener":"Zoe","new":"Zoe"}}"#;
        let note = r#"{"number":2,"record":{"kind":"note","text":"Zoe left"}}"#;
        let journal = format!("{line}\n{note}\n");
        let shown = Published::of(journal.into_bytes(), false);
        let expected = "{\"kind\":\"answer\",\"id\":{\"part\":\"main\"},\"answer\":\"a\"}\n";
        assert_eq!(shown, Published::WithoutNames(expected.to_owned()));
    }

    #[test]
    fn a_long_journal_is_left_to_the_files() {
        assert_eq!(Published::of(vec![b'x'; LONGEST + 1], true), Published::TooLong(LONGEST + 1));
    }
}
