//! The README's table of what protects whom is true: each row has a test that tries to cheat, or states a limit.

/// First cell of a row, and the tests that hold what it says, of what it protects against and of what not.
const HELD_BY: [(&str, &[&str]); 16] = [
    ("the seal", &["a_journal_written_anew_with_another_answer_or_count_does_not_add_up"]),
    (
        "hands: the listener's, the owner's, the skeptic's last; phones' closed",
        &[
            "phones_give_their_hands_closed_and_open_them_when_nothing_can_be_added",
            "with_a_wager_the_skeptics_hand_is_the_last",
            "a_host_who_types_last_without_a_phone_is_named_as_one_who_could_choose",
        ],
    ),
    (
        "`run --witness`: a phone's part of each draw, its receipts, its copy",
        &["who_has_every_file_foretells_no_better_than_chance_over_two_thousand_trials"],
    ),
    (
        "sealing anew",
        &[
            "an_early_opening_of_a_copy_says_nothing_about_what_is_to_come",
            "what_was_being_presented_is_void_and_reported",
        ],
    ),
    ("the chain", &["repeated_reordered_missing_and_foreign_records_are_named"]),
    ("the receipt", &["only_something_kept_outside_betrays_a_journal_written_anew_consistently"]),
    (
        "`run --opponent`, `night --guest`",
        &[
            "a_locked_sitting_goes_on_and_ends_only_with_the_passphrase",
            "a_locked_night_goes_on_and_ends_only_with_the_guests_passphrase",
        ],
    ),
    (
        "the register, its head and number in each opening and closing",
        &[
            "a_register_that_lost_lines_is_told_by_the_number_in_the_seal",
            "a_register_that_lost_lines_is_told_by_the_head_in_the_closing",
            "a_register_whose_end_was_cut_tells_what_it_can_and_what_was_kept_tells_the_rest",
            "sittings_that_an_earlier_report_told_of_are_asked_for_until_they_are_back",
        ],
    ),
    (
        "the agreed time of listening",
        &["a_burst_of_keys_gives_no_answer_in_any_protocol", "a_journal_with_an_answer_too_soon_is_refused"],
    ),
    ("sealed files", &["a_table_that_was_changed_after_the_sittings_is_said_and_not_drawn"]),
    ("`deciding_sitting`", &["a_lost_bet_cannot_be_sat_again"]),
    (
        "modes 0700 and 0600 until the last sitting is closed",
        &["nobody_else_reads_a_folder_before_its_sittings_are_closed"],
    ),
    (
        "no core dump, memory that no other program of yours may read (Linux), locked memory where the system allows it",
        &[
            "a_process_with_a_secret_leaves_no_core_dump_and_swaps_nothing_out_where_it_may",
            "no_other_program_of_the_same_user_looks_into_a_process_with_a_secret",
        ],
    ),
    (
        "the report's own check",
        &["tampered_pages_do_not_hold", "every_kind_of_journal_is_checked_and_forged_ones_are_found"],
    ),
    (
        "whole rounds over real cables",
        &[
            "an_operator_who_computes_the_posterior_from_everything_seen_is_left_with_a_guess",
            "operators_who_count_and_look_for_patterns_score_at_chance_and_knew_all_where_nothing_is_filled",
            "rounds_are_held_to_the_seal_by_every_verifier",
            "a_whole_sitting_switches_a_relay_by_the_same_bytes_whatever_is_drawn",
            "a_bench_proves_that_the_switch_switches_and_catches_interchanged_cables_and_a_dead_switch",
        ],
    ),
    (
        "nothing here",
        &["from_check_to_verify_with_a_flac_file_and_a_meters_table", "every_caveat_is_told_alone"],
    ),
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
    let folders = ["trial", "commands", "night", "report", "screen", "verdict"]
        .map(|folder| root.join("tests").join(folder));
    let sources: String = folders
        .iter()
        .flat_map(|folder| std::fs::read_dir(folder).expect("a folder of tests"))
        .filter_map(|entry| std::fs::read_to_string(entry.expect("an entry").path()).ok())
        .collect();
    for test in HELD_BY.iter().flat_map(|(_, tests)| *tests) {
        assert!(sources.contains(&format!("#[test]\nfn {test}()")), "no test is named {test}");
    }
}
