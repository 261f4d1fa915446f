#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| airvalve_tests::hostile::check("recording", bytes));
