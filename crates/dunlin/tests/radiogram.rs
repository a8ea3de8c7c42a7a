//! `dunlin radiogram` on the command line.

use assert_cmd::Command;

const RADIOGRAM: &str = "12 R HXG QA1SKY 12 GREAT MARROW 1830Z NOV 29\nWARDEN OF THE SCHOOL\n\
    HARBOUR LANE 4\nLEE COVE\nTEL 555 0142\nBT\nFORTY COTS COME BY FERRY AT 1540 X OPEN THE\nHALL X\n\
    BT\nHARBOUR OFFICE\nAR\n";

fn dunlin(more: &[&str], input: &str) -> (Option<i32>, String, String) {
    let output = Command::cargo_bin("dunlin")
        .expect("the program is built")
        .args(["radiogram", "-"])
        .args(more)
        .write_stdin(input)
        .output()
        .expect("it runs and ends");
    let text = |octets| String::from_utf8(octets).expect("UTF-8");
    (
        output.status.code(),
        text(output.stdout),
        text(output.stderr),
    )
}

#[test]
fn a_right_one_goes_on_as_it_came_and_is_shown_on_paper_and_aloud() {
    assert_eq!(
        dunlin(&["--onward"], RADIOGRAM),
        (Some(0), RADIOGRAM.to_owned(), String::new())
    );
    let (code, paper, err) = dunlin(&[], RADIOGRAM);
    assert_eq!((code, err.as_str()), (Some(0), ""));
    assert!(paper.contains("Check             12"), "{paper}");
    let (_, aloud, _) = dunlin(&["--aloud"], RADIOGRAM);
    assert!(aloud.starts_with("NUMBER ONE TWO, ROUTINE"), "{aloud}");
}

#[test]
fn a_wrong_check_is_corrected_and_no_word_altered() {
    let wrong = RADIOGRAM.replace("QA1SKY 12", "QA1SKY 11");
    let (code, onward, notes) = dunlin(&["--onward"], &wrong);
    assert_eq!(code, Some(0));
    assert_eq!(onward, RADIOGRAM.replace("QA1SKY 12", "QA1SKY 11/12"));
    assert!(notes.starts_with("note: the check says 11"), "{notes}");
}

#[test]
fn what_is_none_is_told_with_its_place() {
    let (code, out, err) = dunlin(
        &[],
        "12 R QA1SKY 2 GREAT MARROW NOV 29\nSOMEBODY\nBT\nHELLO?\n",
    );
    assert_eq!((code, out.as_str()), (Some(2), ""));
    assert!(err.starts_with("dunlin: -: line 4"), "{err}");
}
