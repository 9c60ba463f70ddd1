"""Tables of what arrived, was rejected and ran, which no transform makes."""
