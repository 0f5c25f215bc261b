//! The README's table of what protects whom is true: each row has a test that tries to cheat, or states a limit.

/// First cell of a row, and the test that holds it; nothing where the row is a limit and no promise.
const HELD_BY: [(&str, Option<&str>); 14] = [
    ("the seal", Some("a_journal_written_anew_with_another_answer_or_count_does_not_add_up")),
    (
        "hands: the listener's, the owner's, the skeptic's last; phones' closed",
        Some("phones_give_their_hands_closed_and_open_them_when_nothing_can_be_added"),
    ),
    (
        "`run --witness`: a phone's links, its receipts, its copy",
        Some("who_has_every_file_foretells_no_better_than_chance_over_two_thousand_trials"),
    ),
    ("sealing anew", Some("an_early_opening_of_a_copy_says_nothing_about_what_is_to_come")),
    ("the chain", Some("repeated_reordered_missing_and_foreign_records_are_named")),
    ("the receipt", Some("only_something_kept_outside_betrays_a_journal_written_anew_consistently")),
    (
        "`run --opponent`, `night --guest`",
        Some("a_locked_night_goes_on_and_ends_only_with_the_guests_passphrase"),
    ),
    (
        "the register, its head and number in each opening and closing",
        Some("a_register_that_lost_lines_is_told_by_the_head_in_the_closing"),
    ),
    ("sealed files", Some("a_table_that_was_changed_after_the_sittings_is_said_and_not_drawn")),
    ("`deciding_sitting`", Some("a_lost_bet_cannot_be_sat_again")),
    (
        "modes 0700 and 0600 until the last sitting is closed",
        Some("nobody_else_reads_a_folder_before_its_sittings_are_closed"),
    ),
    (
        "no core dump, locked memory where the system allows it",
        Some("a_process_with_a_secret_leaves_no_core_dump_and_swaps_nothing_out_where_it_may"),
    ),
    ("the report's own check", Some("tampered_pages_do_not_hold")),
    ("nothing here", None),
];

#[test]
fn each_row_of_the_protection_table_is_held_by_a_test() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = std::fs::read_to_string(root.join("README.md")).expect("README.md");
    let table = readme.split("## What protects whom").nth(1).expect("the table");
    let rows: Vec<&str> = table
        .lines()
        .skip_while(|line| !line.starts_with("| ---"))
        .skip(1)
        .take_while(|line| line.starts_with('|'))
        .filter_map(|line| line.split('|').nth(1).map(str::trim))
        .collect();
    assert_eq!(rows, HELD_BY.map(|(row, _)| row));
    let folders = ["trial", "commands", "night", "report"].map(|folder| root.join("tests").join(folder));
    let sources: String = folders
        .iter()
        .flat_map(|folder| std::fs::read_dir(folder).expect("a folder of tests"))
        .filter_map(|entry| std::fs::read_to_string(entry.expect("an entry").path()).ok())
        .collect();
    for test in HELD_BY.iter().filter_map(|(_, test)| *test) {
        assert!(sources.contains(&format!("#[test]\nfn {test}()")), "no test is named {test}");
    }
}
