"""Jupyter's manager for a kernel that was forked ahead of time."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from jupyter_client.connect import KernelConnectionInfo
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning.local_provisioner import LocalProvisioner

from kit.report.kernel import ForkedKernel


class ForkedProvisioner(LocalProvisioner):
    """Starts the waiting process instead of a new interpreter; all else as for any local kernel."""

    forked: ForkedKernel

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> KernelConnectionInfo:  # noqa: ANN401
        """Hand the connection file to the waiting process."""
        cwd = Path(
            kwargs.get("cwd") or Path.cwd()
        )  # papermill goes to the study folder before it starts a kernel
        self.forked.start(cmd, cwd=str(cwd), env=kwargs.get("env"))
        self.process = self.forked  # type: ignore[assignment] # has what Popen has, as far as it is used
        self.pid = self.pgid = self.forked.pid
        self.cwd = cwd
        return self.connection_info


def manager_for(kernel: ForkedKernel) -> type[AsyncKernelManager]:
    """Give the manager class for one waiting kernel, as papermill takes it.

    Parameters
    ----------
    kernel : ForkedKernel
        Not started yet.

    Returns
    -------
    type
        A kernel manager that starts this kernel and can do so once.
    """

    class ForkedKernelManager(AsyncKernelManager):
        async def _async_pre_start_kernel(self, **kw: Any) -> tuple[list[str], dict[str, Any]]:  # noqa: ANN401
            self.kernel_id = self.kernel_id or f"testprint-{os.getpid()}-{kernel.pid}"
            self.provisioner = ForkedProvisioner(
                kernel_id=self.kernel_id, kernel_spec=self.kernel_spec, parent=self
            )
            self.provisioner.forked = kernel
            return await super()._async_pre_start_kernel(**kw)

    return ForkedKernelManager
