"""What all nodes share: checked parameters, guarded lifecycle callbacks, tidy release of what they created."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Sequence
from typing import Any

from rcl_interfaces.msg import FloatingPointRange, IntegerRange, ParameterDescriptor, SetParametersResult
from rclpy.clock import Clock
from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from rclpy.parameter import Parameter
from rclpy.qos import QoSProfile

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.ros.parameters.spec import QOS_PREFIX, STANDARD_NAMES, ParameterError, ParameterSpec, problems_of
from soft_tactile_node.ros.wire import qos

SUCCESS = TransitionCallbackReturn.SUCCESS
FAILURE = TransitionCallbackReturn.FAILURE
ERROR = TransitionCallbackReturn.ERROR


class ManagedNode(LifecycleNode):
    """A lifecycle node whose parameters come from a table and whose callbacks always log their cause.

    Subclasses fill in `configure`, `activate`, `deactivate` and `release`; raising SoftTactileError there refuses the
    transition with the error's text, anything else ends in error processing, from which the node recovers. So does an
    unexpected error in any subscription, timer or service: it is logged once, and the node is then unconfigured.

    Parameters
    ----------
    name : str
        Node name.
    specs : sequence of ParameterSpec
        All parameters of the node.
    **options
        As rclpy.node.Node takes them.
    """

    active = False
    """Whether it works."""

    failed = ""
    """The unexpected error that has stopped the node; empty = none since it was last configured."""

    def __init__(self, name: str, specs: Sequence[ParameterSpec], **options: Any) -> None:
        super().__init__(name, automatically_declare_parameters_from_overrides=True, **options)
        self._specs = {spec.name: spec for spec in specs}
        self._given_qos: list[str] = []
        self._entities: list[tuple[Callable[[Any], object], Any]] = []
        self._configured = False
        self._problems: list[str] = []
        self.reason = "not configured yet"
        self._take_parameters()
        self._guard_change_state()
        self.add_on_set_parameters_callback(self._check_change)
        self.add_post_set_parameters_callback(self._after_change)

    # -- for subclasses

    def configure(self) -> None:
        """Check everything that can be checked and create what the node needs."""

    def activate(self) -> None:
        """Start work."""

    def deactivate(self) -> None:
        """Stop work."""

    def release(self) -> None:
        """Let go of what `configure` made besides publishers, subscriptions, services and timers."""

    def parameters_changed(self, _names: Sequence[str]) -> None:
        """Take up new values of dynamic parameters."""

    def transition_failed(self) -> None:
        """Show elsewhere, too, why a transition was refused; `reason` says it."""

    # -- helpers for subclasses

    def setting(self, name: str) -> Any:
        """Return the value of a declared parameter in its declared type and unit."""
        return self._specs[name].convert(self.get_parameter(name).value)

    @property
    def short_namespace(self) -> str:
        """Namespace without slashes at the ends, inner ones as underscores; the node name where there is none."""
        return str(self.get_namespace().strip("/").replace("/", "_") or self.get_name())

    def publish_on(self, message: type, topic: str, profile: QoSProfile) -> Any:
        """Create a publisher that is silent unless the node is active and vanishes at cleanup."""
        publisher = self.create_lifecycle_publisher(message, topic, profile, qos_overriding_options=qos.overridable())
        self._entities.append((self.destroy_lifecycle_publisher, publisher))
        return publisher

    def subscribe_to(
        self, message: type, topic: str, callback: Callable[[Any], None], profile: QoSProfile, *, raw: bool = False
    ) -> Any:
        """Create a subscription that vanishes at cleanup; a raw one hands out the bytes of a message."""
        subscription = self.create_subscription(
            message, topic, callback, profile, qos_overriding_options=qos.overridable(), raw=raw
        )
        self._entities.append((self.destroy_subscription, subscription))
        return subscription

    def serve(self, service: type, name: str, callback: Callable[[Any, Any], Any]) -> Any:
        """Create a service that vanishes at cleanup."""
        server = self.create_service(
            service, name, lambda request, response: self.guard(name, callback, request, response) or response
        )
        self._entities.append((self.destroy_service, server))
        return server

    def call_service(self, service: type, name: str) -> Any:
        """Create a client that vanishes at cleanup."""
        client = self.create_client(service, name)
        self._entities.append((self.destroy_client, client))
        return client

    def call_every(
        self, period_s: float, callback: Callable[[], None], *, running: bool = True, clock: Clock | None = None
    ) -> Any:
        """Create a timer that vanishes at cleanup, on the node's clock or another."""
        timer = self.create_timer(period_s, callback, clock=clock)
        if not running:
            timer.cancel()
        self._entities.append((self.destroy_timer, timer))
        return timer

    def keep(self, entity: Any, destroy: Callable[[Any], object]) -> Any:
        """Take over anything else that must vanish at cleanup; `destroy` is then called with it."""
        self._entities.append((destroy, entity))
        return entity

    def destroy_node(self) -> None:
        """Stop what runs, then destroy everything."""
        self._guarded("stop", self._stop_and_release)
        super().destroy_node()

    def let_go(self, entity: Any) -> None:
        """Destroy something made by one of these helpers before cleanup does."""
        for place, (destroy, kept) in enumerate(self._entities):
            if kept is entity:
                del self._entities[place]
                destroy(entity)
                return

    def create_subscription(self, msg_type: type, topic: str, callback: Any, *args: Any, **options: Any) -> Any:
        """Create a subscription with a guarded callback."""
        return super().create_subscription(
            msg_type, topic, lambda message: self.guard(topic, callback, message), *args, **options
        )

    def create_timer(self, timer_period_sec: float, callback: Any, *args: Any, **options: Any) -> Any:
        """Create a timer with a guarded callback."""
        return super().create_timer(timer_period_sec, lambda: self.guard("timer", callback), *args, **options)

    def guard(self, what: str, action: Callable[..., Any], *arguments: Any) -> Any:
        """Run a callback; an error in it ends the work of the node in an orderly way instead of that of the process.

        Parameters
        ----------
        what : str
            Where the callback belongs to, for the log.
        action : callable
            The callback; not run any more once the node has failed.
        *arguments
            Handed to it.

        Returns
        -------
        object
            What it returns; None where it failed.
        """
        if self.failed:
            return None
        try:
            return action(*arguments)
        except Exception as error:
            self.failed = f"{what}: unexpected {type(error).__name__}: {error}"
            self.get_logger().error(f"{self.failed}; configure again to go on\n{traceback.format_exc()}")
            if self.executor is not None:
                self.executor.create_task(self._end_failed)
        return None

    def _end_failed(self) -> None:
        """Leave the active or inactive state by way of error processing."""
        state = self._state_machine.current_state[1]
        if state == "active":
            self.trigger_deactivate()
        elif state == "inactive":
            self.trigger_cleanup()

    # -- lifecycle callbacks: guarded, logged

    def on_configure(self, _state: LifecycleState) -> TransitionCallbackReturn:
        """Check parameters, then configure; refused with the reason, nothing half-made left."""
        self.failed = ""
        result = self._guarded("configure", self._configure_checked)
        self._configured = result == SUCCESS
        if result != SUCCESS:
            self._release_all()
        return result

    def on_activate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Enable the publishers and start."""
        return self._guarded("activate", lambda: self._activate_all(state))

    def on_deactivate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Stop, then silence the publishers."""
        if self.failed:
            return ERROR
        return self._guarded("deactivate", lambda: self._deactivate_all(state))

    def on_cleanup(self, _state: LifecycleState) -> TransitionCallbackReturn:
        """Free everything."""
        if self.failed:
            return ERROR
        return self._guarded("clean up", self._release_all)

    def on_shutdown(self, _state: LifecycleState) -> TransitionCallbackReturn:
        """Stop and free everything."""
        return self._guarded("shut down", self._stop_and_release)

    def on_error(self, _state: LifecycleState) -> TransitionCallbackReturn:
        """Recover to the unconfigured state; what has happened stays on show."""
        result = self._guarded("recover", self._recover)
        if self.failed and result == SUCCESS:
            self.reason = self.failed
            self.transition_failed()
        return result

    def start_by_itself(self) -> None:
        """Configure and activate if `autostart` says so; a refusal is logged and leaves the node waiting."""
        if self.get_parameter("autostart").value is not True:
            return
        if self.trigger_configure() == SUCCESS:
            self.trigger_activate()

    def _guarded(self, what: str, action: Callable[[], None]) -> TransitionCallbackReturn:
        try:
            action()
        except SoftTactileError as error:
            self.reason = str(error)
            self.get_logger().error(f"cannot {what}: {error}")
            self.transition_failed()
            return FAILURE
        except Exception as error:
            self.reason = f"{type(error).__name__}: {error}"
            self.get_logger().error(f"cannot {what}: {self.reason}\n{traceback.format_exc()}")
            self.transition_failed()
            return ERROR
        self.reason = ""
        return SUCCESS

    def _configure_checked(self) -> None:
        self._raise_problems()
        self.configure()
        unknown = [name for name in self._given_qos if not self.has_parameter(name)]
        if unknown:
            raise ParameterError("; ".join(f"parameter '{name}' is unknown" for name in unknown))

    def _activate_all(self, state: LifecycleState) -> None:
        super().on_activate(state)
        self.activate()
        self.active = True

    def _deactivate_all(self, state: LifecycleState) -> None:
        self._stop()
        super().on_deactivate(state)

    def _stop(self) -> None:
        self.active = False
        self.deactivate()

    def _stop_and_release(self) -> None:
        if self._configured:
            self._stop()
        self._release_all()

    def _recover(self) -> None:
        """Free everything, whatever still works."""
        if self._configured:
            self._guarded("stop", self._stop)
        self._release_all()

    def _release_all(self) -> None:
        self._configured = False
        self.release()
        while self._entities:
            destroy, entity = self._entities.pop()
            destroy(entity)

    # -- parameters

    def _take_parameters(self) -> None:
        """Declare the table over what was given; a wrong value is kept, so that configure can refuse it by name."""
        given = {
            name: self.get_parameter(name).value
            for name in self.list_parameters([], 0).names
            if name not in STANDARD_NAMES
        }
        for name in given:
            self.undeclare_parameter(name)
        self._given_qos = [name for name in given if name.startswith(QOS_PREFIX)]
        for spec in self._specs.values():
            self._declare(spec, given.get(spec.name, spec.default))
        unknown = [name for name in given if name not in self._specs and not name.startswith(QOS_PREFIX)]
        self._problems = [f"parameter '{name}' is unknown" for name in unknown]

    def _declare(self, spec: ParameterSpec, value: Any) -> None:
        try:
            self.declare_parameter(spec.name, spec.convert(value), descriptor_of(spec), ignore_override=True)
        except ParameterError:
            loose = ParameterDescriptor(description=spec.text, dynamic_typing=True)
            self.declare_parameter(spec.name, value, loose, ignore_override=True)

    def _raise_problems(self) -> None:
        given = {name: self.get_parameter(name).value for name in self._specs}
        problems = [*self._problems, *problems_of(given, self._specs)]
        if problems:
            raise ParameterError("; ".join(problems))

    def _check_change(self, changes: Sequence[Parameter]) -> SetParametersResult:
        for change in changes:
            spec = self._specs.get(change.name)
            if spec is None:
                continue
            try:
                spec.convert(change.value)
            except ParameterError as error:
                return SetParametersResult(successful=False, reason=str(error))
            if self._configured and not spec.dynamic:
                reason = f"parameter '{spec.name}' can only change while the node is unconfigured; clean up first"
                return SetParametersResult(successful=False, reason=reason)
        return SetParametersResult(successful=True)

    def _after_change(self, changes: Sequence[Parameter]) -> None:
        names = [change.name for change in changes if change.name in self._specs]
        if self._configured and names:
            self.parameters_changed(names)

    def _guard_change_state(self) -> None:
        """Make the standard service answer a forbidden transition with `success: false` instead of ending the node."""
        service = self._service_change_state
        change_state = service.callback

        def answer(request: Any, response: Any) -> Any:
            try:
                return change_state(request, response)
            except Exception as error:
                self.get_logger().warning(f"transition {request.transition.id} refused: {error}")
                response.success = False
                return response

        service.callback = answer


def descriptor_of(spec: ParameterSpec) -> ParameterDescriptor:
    """Return the descriptor that shows the text, unit and range of `spec` to the standard tools."""
    unit = f" [{spec.unit}]" if spec.unit else ""
    descriptor = ParameterDescriptor(description=spec.text + unit, additional_constraints=spec.rule())
    if spec.kind == "int" and abs(spec.low) < 2**63 and abs(spec.high) < 2**63:
        descriptor.integer_range = [IntegerRange(from_value=int(spec.low), to_value=int(spec.high))]
    bounded = abs(spec.low) != float("inf") or abs(spec.high) != float("inf")
    if spec.kind == "double" and bounded and not spec.allow_nan:
        low, high = max(spec.low, -1.7e308), min(spec.high, 1.7e308)
        descriptor.floating_point_range = [FloatingPointRange(from_value=low, to_value=high)]
    return descriptor


def is_simulated(node: ManagedNode) -> bool:
    """Return whether a node that commands pressure belongs to a simulation."""
    return bool(node.setting("simulated") or node.get_parameter("use_sim_time").value)


def root_frame_of(node: ManagedNode) -> str:
    """Return the name of the frame of a finger's root."""
    return str(node.setting("root_frame") or f"{node.short_namespace}_finger_root")
