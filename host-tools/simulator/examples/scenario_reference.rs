//! Prints the tables of `SCENARIOS.md`.
fn main() {
    print!("{}", airvalve_simulator::reference());
}
