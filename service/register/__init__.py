"""The register: pieces with what was seen on them, the evidence, and who thinks what."""
