"""A task of Windows' Task Scheduler: its XML schema 1.2, [MS-TSCH] 2.5."""

from __future__ import annotations

from pathlib import PurePath
from subprocess import list2cmdline
from xml.sax.saxutils import escape

from logger.service.plan import DESCRIPTION, NAME, RESTART_AT_MOST_S, WRITTEN_BY, Job, Plan, Step

_TASK = """\
<?xml version="1.0" encoding="UTF-16"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <RegistrationInfo>
    <Description>{description}</Description>
  </RegistrationInfo>
  <Triggers>
    <LogonTrigger>
      <Enabled>true</Enabled>
      <!-- However often it fails, it is tried again; while it runs, this does nothing. -->
      <Repetition>
        <Interval>PT{again_min}M</Interval>
        <StopAtDurationEnd>false</StopAtDurationEnd>
      </Repetition>
      <UserId>{user}</UserId>
    </LogonTrigger>
  </Triggers>
  <Principals>
    <Principal id="Owner">
      <UserId>{user}</UserId>
      <LogonType>InteractiveToken</LogonType>
      <RunLevel>LeastPrivilege</RunLevel>
    </Principal>
  </Principals>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <StartWhenAvailable>true</StartWhenAvailable>
    <RestartOnFailure>
      <Interval>PT1M</Interval>
      <Count>3</Count>
    </RestartOnFailure>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <Priority>8</Priority>
  </Settings>
  <Actions Context="Owner">
    <Exec>
      <Command>{command}</Command>
      <Arguments>{arguments}</Arguments>
    </Exec>
  </Actions>
</Task>
"""


def task_plan(job: Job, folder: PurePath) -> Plan:
    """For the owner's own session: Windows asks for consent to name networks in no other. ``folder``: where the file
    is kept."""
    text = task(job)
    file = folder / f"{NAME}-task.xml"
    return Plan(
        *("windows", "user", file),
        b"\xff\xfe" + text.replace("\n", "\r\n").encode("utf-16-le"),  # schtasks takes no other
        job,
        install=(
            Step(("schtasks", "/Create", "/TN", NAME, "/XML", str(file), "/F")),
            Step(("schtasks", "/Run", "/TN", NAME)),
        ),
        uninstall=(
            Step(("schtasks", "/End", "/TN", NAME), may_fail=True),
            Step(("schtasks", "/Delete", "/TN", NAME, "/F"), may_fail=True),
        ),
        forget=(),
        status=f"schtasks /Query /TN {NAME}",
        said="linktrial status",
        note="It runs while you are logged in.",
        shown=text,
    )


def task(job: Job) -> str:
    """The text of the task. No variable is expanded in it, and nothing in it is run by a shell. (A task has no
    environment: settings that lie elsewhere are named by the owner's own LINKTRIAL_SETTINGS.)"""
    program, *arguments = job.words
    return _TASK.format(
        description=escape(f"{DESCRIPTION}. {WRITTEN_BY}"),
        again_min=RESTART_AT_MOST_S // 60,
        user=escape(job.owner.name),
        command=escape(program),
        arguments=escape(list2cmdline(arguments)),
    )
