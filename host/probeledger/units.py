"""Temperature units: the program computes in degrees Celsius and shows Fahrenheit beside them."""


def fahrenheit(celsius: float) -> float:
    """Convert a temperature to Fahrenheit.

    Args:
        celsius: temperature [degC].

    Returns:
        The same temperature [degF].

    >>> fahrenheit(175.0)
    347.0
    """
    return celsius * 9.0 / 5.0 + 32.0


def celsius(fahrenheit: float) -> float:
    """Convert a temperature to Celsius.

    Args:
        fahrenheit: temperature [degF].

    Returns:
        The same temperature [degC].

    >>> celsius(350.0)
    176.66666666666666
    """
    return (fahrenheit - 32.0) * 5.0 / 9.0


def fahrenheit_difference(kelvin: float) -> float:
    """Convert a temperature difference to Fahrenheit degrees.

    Args:
        kelvin: difference [K], the same as in degrees Celsius.

    Returns:
        The same difference [degF].

    >>> fahrenheit_difference(10.0)
    18.0
    """
    return kelvin * 9.0 / 5.0
