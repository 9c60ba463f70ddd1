"""The nightly audit: what is stored, held to the declarations and to itself."""
