"""The weekly digest: what needs hands, the week, the water, the roots, the harvest, the money.

``cells`` holds values with the place of the table that they stand in, ``show`` turns them into the
reader's units, one module a section holds its rules, ``make`` puts the sections together, ``page``
renders them as HTML and as plain text from the same parts.
"""
