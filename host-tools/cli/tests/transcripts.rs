//! The real command line: one transcript a subject, per command and per error.

#[test]
fn commands_print_what_the_transcripts_say() {
    trycmd::TestCases::new().env("NO_COLOR", "1").case("tests/transcripts/*.trycmd");
}
