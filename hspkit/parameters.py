"""Parameters of the constructor of whatever can be fitted, read and set as scikit-learn's tools expect."""

from __future__ import annotations

import inspect
from typing import Any, Self

from hspkit.errors import InputError

__all__ = ["Fitted"]


class Fitted:
    """What `GroupModel` and `SphereFit` have in common: each parameter of the constructor is an attribute."""

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Return the parameters of the constructor.

        Parameters
        ----------
        deep : bool
            Without effect, there is nothing nested; scikit-learn passes it. [-]
        """
        names = list(inspect.signature(type(self).__init__).parameters)[1:]
        return {name: getattr(self, name) for name in names}

    def set_params(self, **params: Any) -> Self:
        """Set parameters of the constructor and return self.

        Raises
        ------
        InputError
            For a name that the constructor does not have.
        """
        known = self.get_params()
        for name, value in params.items():
            if name not in known:
                message = f"no parameter {name!r}; parameters: {', '.join(known)}"
                raise InputError(message)
            setattr(self, name, value)
        return self

    def __repr__(self) -> str:
        parameters = ", ".join(f"{name}={value!r}" for name, value in self.get_params().items())
        return f"{type(self).__name__}({parameters})"
