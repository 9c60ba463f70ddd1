"""Tables of strip yields and the practice's response; may import ``transforms/methods``."""
