"""The product and the machine's setting: granule size, density, strength, setting chart, rate, throw."""
