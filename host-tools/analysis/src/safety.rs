//! What must stand beside every finding that sends someone to a valve.

/// Cautions for whoever goes to the valve, the most urgent first.
///
/// Source: exposure limits NIOSH Pocket Guide and 29 CFR 1910.1000 table Z-2 (hydrogen sulphide); the rest common practice.
pub const CAUTIONS: [&str; 6] = [
    "A valve vault is a confined space: hydrogen sulphide, methane, too little oxygen. Test the air, ventilate, never enter alone or without a permit.",
    "Hydrogen sulphide: 10 ppm is the ceiling for 10 minutes (NIOSH), 100 ppm is immediately dangerous. It dulls the sense of smell: no smell proves nothing.",
    "The valve body holds pressure: isolate and vent it before opening. The large orifice can open or spray as the pressure falls.",
    "With the valve isolated the main has no vacuum protection here: do not drain or trip it meanwhile, lock out the pumps.",
    "Sewage infects, vaults flood, covers and ladders are falls. Electronics in the vault need the approval that its zone asks for.",
    "This program is no gas detector and no safety system. Local codes, the site's permit system and licensed practice decide.",
];

/// What is said when nothing was found.
pub const NO_FINDING: &str = "Nothing found does not mean safe air: test before anyone opens the vault.";
