"""Pages for people: self-contained HTML that opens from disk, without a network and without a program behind it."""
