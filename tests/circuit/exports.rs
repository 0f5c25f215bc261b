//! Tables as meters and spreadsheets export them: the same values, whatever the separators, units, heads and bytes.

use earwitness::circuit::table::{ImpedanceTable, LcrTable, ResponseTable, decode};

use super::close;

/// One table of an invented cable, from 100 Hz to 100 kHz.
const PLAIN: &str = "frequency_hz,series_resistance_ohm,series_inductance_h,parallel_capacitance_f,dissipation_factor\n\
                     100,0.041,2e-6,9e-11,0.01\n10000,0.043,1.9e-6,8.8e-11,0.02\n100000,0.061,1.7e-6,8.6e-11,0.03\n";

fn same(bytes: &[u8], what: &str) {
    let text = decode(bytes);
    let found =
        LcrTable::parse(&text, "meter.csv", 2.0).unwrap_or_else(|error| panic!("{what}: {error}\n{text}"));
    let plain = LcrTable::parse(PLAIN, "plain.csv", 2.0).expect("readable");
    for frequency in [50.0, 100.0, 1234.0, 10_000.0, 70_000.0, 1e6] {
        let (a, b) = (found.per_metre(frequency), plain.per_metre(frequency));
        close(a.resistance, b.resistance, 1e-12, what);
        close(a.inductance, b.inductance, 1e-12, what);
        close(a.capacitance, b.capacitance, 1e-12, what);
        close(a.conductance, b.conductance, 1e-12, what);
    }
}

#[test]
fn exports_of_every_kind_are_the_same_table() {
    let rows = "0.1,41,2,90,0.01\r\n10,43,1.9,88,0.02\r\n100,61,1.7,86,0.03\r\n";
    for heads in [
        "Freq(kHz),Rs(mOhm),Ls(uH),Cp(pF),D",
        "Freq [kHz],Rs [mohm],Ls [uH],Cp [pF],D []",
        "FREQ[KHZ],RS[mOhm],LS[UH],CP[PF],D",
        "f/kHz,Rs/mOhm,Ls/uH,Cp/pF,tan d",
        "Frequency in kHz,Rs in mOhm,Ls in uH,Cp in pF,D",
        "freq_khz,Rs_mohm,Ls_uH,Cp_pF,dissipation_factor",
        "Freq (kHz),ESR (mohm),L (\u{b5}H),C (pF),DF",
        "Freq (kHz),Rs (m\u{3a9}),Ls (\u{3bc}H),Cp (pF),D",
        "\"Freq (kHz)\",\"Rs (mOhm)\",\"Ls (uH)\",\"Cp (pF)\",\"D\"",
    ] {
        let text = format!("{heads}\r\n{rows}");
        same(text.as_bytes(), heads);
        same(format!("\u{feff}{text}").as_bytes(), "a byte order mark");
        same(text.replace("\r\n", "\n").as_bytes(), "line feeds");
        same(text.replace("\r\n", "\r").as_bytes(), "carriage returns");
        same(text.replace("\r\n", "\r\n\r\n").as_bytes(), "blank lines between");
        same(text.replace("\r\n", ",\r\n").as_bytes(), "a separator at the end of each line");
        same(text.replace(',', "\t").as_bytes(), "tabs");
        let wide: Vec<u8> =
            [0xfeff].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
        same(&wide, "UTF-16");
        let european = text.replace(',', ";").replace('.', ",");
        same(european.as_bytes(), "decimal commas between semicolons");
        same(european.replace(';', "\t").as_bytes(), "decimal commas between tabs");
        if let Some(narrow) =
            european.chars().map(|letter| u8::try_from(u32::from(letter)).ok()).collect::<Option<Vec<u8>>>()
        {
            same(&narrow, "Windows-1252");
        }
    }
    let between = "Instrument;invented meter 3\nDate;12.03.2026 20:15:07\nFrequency;1 kHz\n\nNo.;Date;Freq;Rs;Ls;Cp;D;Range\n\
                   ;;Hz;mOhm;uH;pF;;\n1;12.03.2026;100;41;2;90;0,01;auto\n2;12.03.2026;10000;43;1,9;88;0,02;auto\n\
                   3;12.03.2026;100000;61;1,7;86;0,03;auto\n";
    same(between.as_bytes(), "lines before the header, dates, a row of units");
    let blanks = "Freq Rs Ls Cp D\nHz Ohm H F -\n100 0.041 2e-6 9e-11 0.01\n10000 0.043 1.9e-6 8.8e-11 0.02\n100000   0.061 \
                  1.7E-6 8.6E-11 0.03\n";
    same(blanks.as_bytes(), "blanks");
    let in_cells = "Freq,Rs,Ls,Cp,D\n100 Hz,41 mohm,2 uH,90 pF,0.01\n10 kHz,43mohm,1.9uH,88pF,0.02\n100kHz,61 mohm,1.7 uH,86 \
                    pF,0.03\n";
    same(in_cells.as_bytes(), "units in the cells");
}

#[test]
fn two_sweeps_in_two_files_are_one_table() {
    let shorted = ("Freq,Rs,Ls\n100,0.041,2e-6\n10000,0.043,1.9e-6\n100000,0.061,1.7e-6\n", "short.csv");
    let open = ("Freq;Cp;D\n100;9e-11;0,01\n10000;8,8e-11;0,02\n100000;8,6e-11;0,03\n", "open.csv");
    let found = LcrTable::parse_two(shorted, open, 2.0).expect("readable");
    let plain = LcrTable::parse(PLAIN, "plain.csv", 2.0).expect("readable");
    for frequency in [100.0, 3e3, 1e5] {
        assert_eq!(found.per_metre(frequency), plain.per_metre(frequency));
    }
    assert_eq!(found.range_hz(), (100.0, 1e5));
    let error = LcrTable::parse_two(shorted, shorted, 2.0).expect_err("no capacitance").to_string();
    assert!(error.contains("short.csv:1") && error.contains("parallel_capacitance_f"), "{error}");
}

#[test]
fn what_could_be_read_in_two_ways_is_refused() {
    for (text, words) in [
        ("Freq;Rs;Ls;Cp\n100;1.234,5;2;3\n200;1;2;3\n", ["meter.csv:2", "thousands"]),
        ("Freq;Rs;Ls;Cp\n100;0.1;2;3\n200;0,2;2;3\n", ["meter.csv:3", "decimal sign"]),
        ("Freq,Rs,Ls,Cp\n100,0,1,0,2,3\n200,0,1,0,2,3\n", ["meter.csv:2", "semicolons"]),
        ("Freq,Rs (MOHM),Ls,Cp\n100,1,2,3\n200,1,2,3\n", ["meter.csv:1", "MOHM"]),
        ("Freq,Rs,R,Ls,Cp\n100,1,2,3,4\n200,1,2,3,4\n", ["meter.csv:1", "more than one column"]),
        ("Freq,Rs,Ls,Cp\n100,about 1,2,3\n200,1,2,3\n", ["meter.csv:2", "\"about 1\" is not a number"]),
        ("Freq,Rs,Ls,Cp\n100,,2,3\n200,1,2,3\n", ["meter.csv:2", "not a number"]),
        ("Freq,Rs,Lp,Cp\n100,1,2,3\n200,1,2,3\n", ["meter.csv:1", "series_inductance_h is missing"]),
        ("100,1,2,3\n200,1,2,3\n", ["meter.csv:1", "header"]),
        ("Rs,Ls,Cp\n1,2,3\n1,2,3\n", ["meter.csv:1", "frequency_hz is missing"]),
        ("Freq,Rs,Ls,Cp\n100,1,2,-3\n200,1,2,3\n", ["meter.csv:2", "not negative"]),
        ("Freq,Rs,Ls,Cp\n", ["meter.csv:1", "at least two"]),
        ("# only remarks\n\n", ["meter.csv", "empty"]),
    ] {
        let error = LcrTable::parse(text, "meter.csv", 2.0).expect_err(text).to_string();
        assert!(words.iter().all(|word| error.contains(word)), "{text}{error}");
    }
    for sample in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(
            LcrTable::parse(PLAIN, "x", sample).expect_err("no length").to_string().contains("sample length")
        );
    }
}

/// Found by libFuzzer: a header of one very long line was repeated whole.
#[test]
fn a_refusal_names_a_few_heads_and_not_a_whole_header() {
    let said = |text: &str| LcrTable::parse(text, "meter.csv", 2.0).expect_err("refused").to_string();
    let most = said("a,b,c,d,e,g,i,j,k,l,m,n\n1,2,3,4,5,6,7,8,9,10,11,12\n1,2,3,4,5,6,7,8,9,10,11,12\n");
    assert!(most.ends_with("the header has a, b, c, d, e, g, i, j, k, l, m, n"), "{most}");
    let more = said(&format!("{}z\n1\n", "a,".repeat(999)));
    assert!(more.ends_with("the header has a, a, a, a, a, a, a, a, a, a, a, a, and 988 more"), "{more}");
    for text in [
        format!("{},b\n1,2\n", "a".repeat(9000)),
        format!("{}\n1,2\n", "a,\u{202e}".repeat(9000)),
        format!("Freq,Rs ({}),Ls,Cp\n100,1,2,3\n200,1,2,3\n", "x".repeat(9000)),
    ] {
        let said = said(&text);
        assert!(said.len() < 1200 && !said.contains('\u{202e}'), "{said}");
    }
}

#[test]
fn a_short_sample_of_a_long_cable_scales() {
    let short = LcrTable::parse(PLAIN, "x", 0.02).expect("readable").per_metre(1e4);
    let long = LcrTable::parse(PLAIN, "x", 2.0).expect("readable").per_metre(1e4);
    close(short.resistance, 100.0 * long.resistance, 1e-12, "resistance");
    close(short.capacitance, 100.0 * long.capacitance, 1e-12, "capacitance");
}

#[test]
fn impedances_and_responses_are_understood_as_exported_too() {
    let plain = ImpedanceTable::parse("frequency_hz,magnitude_ohm,phase_deg\n20,7,30\n2000,9,-40\n", "x")
        .expect("readable");
    for text in [
        "Freq(Hz);|Z|(Ohm);Phase(deg)\n20;7,0;30,0\n2000;9,0;-40,0\n",
        "f/kHz\tZ/Ohm\t\u{3b8}/\u{b0}\n0.02\t7\t30\n2\t9\t-40\n",
        "Hz,Z (ohm),theta (rad)\n20,7,0.5235987755982988\n2000,9,-0.6981317007977318\n",
    ] {
        let found = ImpedanceTable::parse(text, "z.csv").unwrap_or_else(|error| panic!("{error}\n{text}"));
        for frequency in [20.0, 300.0, 2000.0] {
            super::near(found.impedance(frequency), plain.impedance(frequency), 1e-12, text);
        }
    }
    let gain = ResponseTable::parse("Freq(Hz);SPL(dB);Phase(deg)\n20;-0,5;1\n20000;-1,5;-3\n", "x")
        .expect("readable");
    let middle = f64::midpoint(10_f64.powf(-0.5 / 20.0), 10_f64.powf(-1.5 / 20.0));
    close(gain.at(632.455_532).norm(), middle, 1e-4, "gain, half-way between two points");
}
