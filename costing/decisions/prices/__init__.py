"""What a bottle sells for: terms of channels, chains of prices, advice on releases, margins, scarcity."""
