"""SCPI instruments: links that carry messages, drivers that word them, a player that runs both.

    errors                    what can go wrong, by whose fault
    exchange                  one message and how its reply is read; batches and procedures
    framing, parse            bytes to replies, replies to values (pure)
    addresses                 one spelling for one address (pure)
    templates                 command templates that a bench file may override (pure)
    instrument, source, analyzer, powermeter, switch, lid, thermometer     the drivers (pure)
    visa, channels, link      sessions on the instruments (input and output)
    player                    performs batches and runs procedures over links
    registry                  drivers by name, found through entry points
    tryout                    which commands may be tried without harm (pure)
    discovery                 addresses that can be found, and who answers there

Nothing here imports benchd: a driver is useful without the daemon.
"""
