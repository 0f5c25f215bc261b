//! Lines to paste, below each command's help.

/// A command and its examples: what is typed, and what it is for.
type Examples = (&'static [&'static str], &'static [(&'static str, &'static str)]);

/// In the order of the commands. A test holds that each line is understood.
const LIST: &[Examples] = &[
    (
        &["demo"],
        &[
            ("earwitness demo", "a blind test in two minutes"),
            ("earwitness demo --threshold", "how large must the difference be?"),
        ],
    ),
    (&["new"], &[("earwitness new my-bet", "then edit my-bet/session.toml")]),
    (
        &["check"],
        &[
            ("earwitness check my-bet", "one page"),
            ("earwitness check my-bet --full", "everything"),
            ("earwitness check my-bet --sound-path", "measures the program itself"),
        ],
    ),
    (
        &["predict"],
        &[
            ("earwitness predict my-bet --clips", "on each clip too"),
            ("earwitness predict my-bet --lengths 3m,10m", "if the cables were longer"),
            ("earwitness predict my-bet --plot difference.svg", "a picture"),
        ],
    ),
    (&["render"], &[("earwitness render my-bet --out stimuli --format s24", "for your analyser")]),
    (
        &["plan"],
        &[
            ("earwitness plan --proportion 0.75", "to find who is right 75 % of the time"),
            ("earwitness plan --trials 16", "the smallest difference that 16 trials find"),
            ("earwitness plan --session my-panel", "what a declared panel can show"),
        ],
    ),
    (
        &["audition"],
        &[
            ("earwitness audition my-bet", "A and B by name"),
            ("earwitness audition my-panel --train --listener \"Panel 01\"", "answers told"),
        ],
    ),
    (
        &["run"],
        &[
            ("earwitness run my-bet --listener Ida", "a sitting"),
            ("earwitness run my-bet --listener Ida --witness --listen 192.168.1.20", ""),
            ("earwitness run my-bet --listener Try --output silent --simulate 0.8", ""),
        ],
    ),
    (&["witness"], &[("earwitness witness 192.168.1.20:8411 CODE --name Jorin", "")]),
    (
        &["night"],
        &[
            ("earwitness night my-night --ballots ballots.html", "paper ballots"),
            ("earwitness night my-night --listen 192.168.1.20", "the evening"),
            ("earwitness night my-night --show", "its results, another day"),
        ],
    ),
    (
        &["score"],
        &[
            ("earwitness score my-bet", "every closed sitting"),
            ("earwitness score --protocol abx --correct 12 --trials 16", "two numbers"),
        ],
    ),
    (
        &["report"],
        &[
            ("earwitness report my-bet", "my-bet/report/report.html"),
            ("earwitness report my-panel --anonymous --figures figures", "to publish"),
            ("earwitness report my-panel --archive panel.tar", "everything in one file"),
        ],
    ),
    (
        &["verify"],
        &[
            ("earwitness verify my-bet", "every journal of a folder"),
            ("earwitness verify my-bet --session my-bet", "its files and sounds too"),
            ("earwitness verify panel.tar", "an archive"),
        ],
    ),
    (&["bench", "sweep"], &[("earwitness bench sweep --out sweep.wav", "for any player")]),
    (
        &["bench", "capture"],
        &[
            ("earwitness bench capture --amplifier-power 50", "first: protect the inputs"),
            ("earwitness bench capture --out flex.wav", "then a cable"),
        ],
    ),
    (
        &["bench", "response"],
        &[
            ("earwitness bench response flex.wav --out flex.csv", "for a session"),
            ("earwitness bench response flex.wav --against thick.wav", "how far apart"),
        ],
    ),
    (&["bench", "distortion"], &[("earwitness bench distortion flex.wav --against thick.wav", "")]),
    (&["bench", "tones"], &[("earwitness bench tones --signal smpte --out tones.wav", "")]),
    (
        &["bench", "impedance"],
        &[("earwitness bench impedance z.wav --resistor \"10 ohm\" --out tower.csv", "")],
    ),
    (&["bench", "null"], &[("earwitness bench null a.wav b.wav --baseline a2.wav", "")]),
    (&["bench", "report"], &[("earwitness bench report flex.wav thick.wav --out bench.html", "")]),
    (&["completions"], &[("earwitness completions bash > earwitness.bash", "")]),
    (&["man"], &[("earwitness man pages", "")]),
];

/// All commands with their examples.
pub(super) fn added(commands: clap::Command) -> clap::Command {
    LIST.iter().fold(commands, |commands, (path, lines)| below(commands, path, &said(lines)))
}

fn below(command: clap::Command, path: &[&'static str], text: &str) -> clap::Command {
    match path {
        [] => command.after_help(text.to_owned()),
        // In place: `mut_subcommand` would put the command behind all others.
        [name, rest @ ..] => {
            command.mut_subcommands(
                |inner| {
                    if inner.get_name() == *name { below(inner, rest, text) } else { inner }
                },
            )
        }
    }
}

/// What a line is for stands above it: some shells take no remark behind a command that is pasted.
fn said(lines: &[(&str, &str)]) -> String {
    let mut text = "Examples:".to_owned();
    for (line, purpose) in lines {
        if !purpose.is_empty() {
            text.push_str("\n  ");
            text.push_str(purpose);
        }
        text.push_str("\n    ");
        text.push_str(line);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_example_is_understood_and_fits_a_terminal() {
        for (path, lines) in LIST {
            let commands: Vec<String> = lines.iter().map(|(line, _)| format!("    {line}")).collect();
            let shown = said(lines);
            let pasted: Vec<&str> = shown.lines().filter(|line| line.contains("earwitness ")).collect();
            assert_eq!(pasted, commands, "a line is pasted whole");
            assert!(said(lines).lines().all(|line| line.len() <= 80), "{path:?}: {}", said(lines));
            for (line, _) in *lines {
                let typed = line.split(" > ").next().expect("a command");
                // Quoted words are one argument.
                let words = typed.split('"').enumerate().flat_map(|(place, piece)| match place % 2 {
                    1 => vec![piece.to_owned()],
                    _ => piece.split_whitespace().map(str::to_owned).collect(),
                });
                let words: Vec<String> = words.collect();
                assert_eq!(words[1..=path.len()], path[..], "{line}");
                if let Err(error) = super::super::line().try_get_matches_from(words) {
                    panic!("{line}: {error}");
                }
            }
        }
        let all = super::super::line();
        let without = all
            .get_subcommands()
            .map(clap::Command::get_name)
            .filter(|name| !LIST.iter().any(|(path, _)| path[0] == *name));
        assert_eq!(without.collect::<Vec<_>>(), ["devices"], "a command without options needs none");
    }

    /// Manual pages and completions list the commands in the order of the list, as the help does.
    #[test]
    fn examples_leave_the_commands_in_their_order() {
        let names = |commands: &clap::Command| -> Vec<String> {
            commands.get_subcommands().map(|own| own.get_name().to_owned()).collect()
        };
        let bare = <super::super::Line as clap::CommandFactory>::command();
        let all = added(bare.clone());
        assert_eq!(names(&all), names(&bare));
        let bench = |commands: &clap::Command| names(commands.find_subcommand("bench").expect("it is there"));
        assert_eq!(bench(&all), bench(&bare));
    }
}
