"""The page for a phone: `coalminder page`, a process of its own that knows only the broker.

broker.py   one connection to the broker: what comes in, commands out, their replies
board.py    what the page knows of the grill                     pure
history.py  temperatures over the cook, bounded                  pure
alarms.py   alarms as they are shown, what a tap acknowledges    pure
order.py    which commands come too late                         pure
jumps.py    when the grill's clock was put right                 pure
words.py    what phases, alarm states and commands are called    pure
view.py     what the page shows, as one JSON document            pure
login.py    passwords, sessions, limits on guessing              pure but for the hash
guard.py    headers and checks on every request
connections.py  time and room for the phones' connections
app.py      the routes; feed.py pushes views to the phones; command.py starts it all
static/     the page itself: HTML, CSS, JavaScript, no build step
"""
