"""Fit takes, compare fits, follow them against level, export them: `freeair fit`, `compare`,
`levels`, `export`.
"""
