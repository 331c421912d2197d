"""The sockets of the agents inside guests. Not here: what an agent is asked, and what it reports (agent.py)."""

from watchkeeper.privileged.commands import AGENTS
from watchkeeper.probes.guests.agents import agent
from watchkeeper.probes.guests.agents.agent import AgentReport
from watchkeeper.probes.guests.sockets import GuestSockets


class AgentSockets(GuestSockets[AgentReport]):
    """The agents whose sockets match some patterns."""

    entry, list_file, peer = "guest-agents", AGENTS, "agent"

    async def converse(self, path: str, timeout_s: float) -> AgentReport:
        """Ask one agent. Raises as `agent.ask` does."""
        return await agent.ask(path, timeout_s)

    def read_printed(self, text: bytes) -> AgentReport:
        """Read what the helper printed about one agent. Raises NotAgent."""
        return agent.read_printed(text)
