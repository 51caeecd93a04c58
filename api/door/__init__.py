"""Who comes in: accounts, sessions, tokens, codes, and what holds up guessing.

Two rules hold everywhere here. Deciding who asks looks at memory alone (`book`), so that "Stop heating" waits for no disk
and no thread. And an ending counts at once in memory, before it is written; a beginning counts only once it is written.
"""
