"""Lead a newcomer from an empty folder to a page by questions that run the other commands:
`freeair guide`.
"""
