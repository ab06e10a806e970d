"""Publishing results over MQTT, and receiving orders over it.

`Pump` carries the outbox to a broker and keeps presence; `OrderBook` answers orders;
`EmbeddedBroker` serves a bench that has no broker of its own; `Subscriber` shows how to read.
"""

from benchd.publish.broker_choice import PublishSettings
from benchd.publish.embedded import EmbeddedBroker
from benchd.publish.orders import OrderBook, OrderHandler
from benchd.publish.payloads import schemas
from benchd.publish.pump import Pump, PumpStatus
from benchd.publish.settings import BrokerSettings
from benchd.publish.subscriber import Gap, Reading, Subscriber
from benchd.publish.topics import Topics
from drivers.retry import Retry

__all__ = [
    "BrokerSettings",
    "EmbeddedBroker",
    "Gap",
    "OrderBook",
    "OrderHandler",
    "PublishSettings",
    "Pump",
    "PumpStatus",
    "Reading",
    "Retry",
    "Subscriber",
    "Topics",
    "schemas",
]
