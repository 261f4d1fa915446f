//! What to check first, fault by fault: the cheap and likely things before the dear ones.

use airvalve_monitor::Fault;

/// What to check first for a fault, in one sentence.
///
/// Source: common practice.
pub(crate) const fn first_check(fault: Fault) -> &'static str {
    match fault {
        Fault::JammedLow => {
            "look for rag on the float stem and guide; isolate, vent, flush the body, then see that the float rises by itself"
        }
        Fault::LargeSeatOpen => {
            "look for debris on the large seat (a short flush with the isolating valve throttled may clear it); then the seat ring"
        }
        Fault::SmallSeatOpen => {
            "look for grit on the small orifice's seat and wear of its seal; flush, then see that it shuts"
        }
        Fault::JammedUp => {
            "isolate and vent the body and see whether the float falls by itself; clean grease and rag from float and guide"
        }
        Fault::SmallBlocked => {
            "isolate, vent and take out the small orifice; clear grease or scale from it and its passage"
        }
        Fault::LargeShut => {
            "look for scale or corrosion that holds the large orifice shut; until it opens do not drain or trip the main"
        }
        Fault::Clogging => "plan a cleaning of the small orifice; compare the area ratio before and after",
        Fault::Sluggish => "clean grease from float and guide and check the guide for wear at the next visit",
        Fault::Weeping => "flush the seats and check their seals; look for water on the vault floor",
        Fault::Heavy => "clean the float of grease and check it for water inside; weigh it against the data sheet",
        Fault::WireBreak => "check terminals, fuse and cable of this loop, then the transmitter's supply",
        Fault::Short => "check cable and terminals of this loop for water and shorts, then the transmitter",
        Fault::Saturated => "compare the reading with a gauge; check the transmitter's span against the site file",
        Fault::FlatLine => {
            "check the impulse connection for a blockage, and whether the transmitter is in hold or simulation"
        }
        Fault::Drift => "compare the transmitter with a reference at two points and set its zero anew",
        Fault::Noise => "check shield, earth and terminals of this loop, and what was switched on nearby",
        Fault::DeadCell => {
            "bump-test the gas cell; replace it when it does not answer; trust no low reading until then"
        }
        Fault::Missing => "check converter, connector and supply of this channel",
    }
}
