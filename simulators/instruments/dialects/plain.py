"""`plain`: the style of SCPI-1999 volume 2. benchd's own command templates fit as they are.

Replies are bare values. Traces come as text, or as definite-length blocks of REAL,32 or REAL,64
in either byte order (`FORMat`, `FORMat:BORDer`; text and most significant byte first after
`*RST`). A sweep is an overlapped operation.
"""

from simulators.instruments.dialect import Dialect

SYSTEM = {
    "SYSTem:ERRor[:NEXT]?": "next error",
    "SYSTem:ERRor:ALL?": "all errors",
    "SYSTem:ERRor:COUNt?": "error count",
    "SYSTem:VERSion?": "version",
    "STATus:PRESet": "status preset",
    "STATus:QUEStionable[:EVENt]?": "questionable event",
    "STATus:QUEStionable:CONDition?": "questionable condition",
    "STATus:QUEStionable:ENABle": "questionable enable",
    "STATus:QUEStionable:ENABle?": "questionable enabled",
    "STATus:OPERation[:EVENt]?": "operation event",
    "STATus:OPERation:CONDition?": "operation condition",
    "STATus:OPERation:ENABle": "operation enable",
    "STATus:OPERation:ENABle?": "operation enabled",
}

SOURCE_SETTINGS = {
    "[SOURce:]FREQuency[:CW]": "frequency",
    "[SOURce:]FREQuency:STARt": "start",
    "[SOURce:]FREQuency:STOP": "stop",
    "[SOURce:]FREQuency:MODE": "mode",
    "[SOURce:]POWer[:LEVel][:IMMediate][:AMPLitude]": "level",
    "[SOURce:]SWEep:POINts": "points",
    "[SOURce:]SWEep:DWELl": "dwell",
    "OUTPut[:STATe]": "output",
    "INITiate:CONTinuous": "continuous",
    "[SOURce:]LIST:DWELl": "list dwell",
    "TRIGger[:SEQuence]:SOURce": "trigger source",
}

SOURCE_ACTIONS = {
    "INITiate[:IMMediate]": "initiate",
    "ABORt": "abort",
    "TRIGger[:SEQuence]:IMMediate": "trigger",
    "[SOURce:]LIST:FREQuency": "load list",
    "[SOURce:]LIST:FREQuency:POINts?": "list points",
    "[SOURce:]LIST:POINts:CURRent?": "list place",
}

ANALYZER_SETTINGS = {
    "[SENSe:]FREQuency:CENTer": "centre",
    "[SENSe:]FREQuency:SPAN": "span",
    "[SENSe:]FREQuency:STARt": "start",
    "[SENSe:]FREQuency:STOP": "stop",
    "[SENSe:]BANDwidth[:RESolution]": "rbw",
    "[SENSe:]BANDwidth:VIDeo": "vbw",
    "[SENSe:]SWEep:TIME": "sweep time",
    "[SENSe:]SWEep:TIME:AUTO": "sweep time auto",
    "[SENSe:]SWEep:POINts": "points",
    "[SENSe:]DETector[:FUNCtion]": "detector",
    "[SENSe:]POWer[:RF]:ATTenuation": "attenuation",
    "DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel": "reference level",
    "TRACe[1]:MODE": "trace mode",
    "INITiate:CONTinuous": "continuous",
    "FORMat:BORDer": "border",
    "[SENSe:]FREQuency:MODE": "frequency mode",
    "[SENSe:]LIST:DWELl": "list dwell",
    "TRIGger[:SEQuence]:SOURce": "trigger source",
    "TRIGger[:SEQuence]:DELay": "trigger delay",
    "OUTPut:TRACking": "tracking",
    "SOURce:POWer:TRACking": "tracking level",
}

ANALYZER_ACTIONS = {
    "INITiate[:IMMediate]": "initiate",
    "ABORt": "abort",
    "TRACe[:DATA]?": "read trace",
    "FORMat[:TRACe][:DATA]": "set format",
    "FORMat[:TRACe][:DATA]?": "format",
    "TRIGger[:SEQuence]:IMMediate": "trigger",
    "[SENSe:]LIST:FREQuency": "load list",
    "[SENSe:]LIST:FREQuency:POINts?": "list points",
    "[SENSe:]LIST:POINts:CURRent?": "list place",
}

METER_SETTINGS = {
    "[SENSe:]FREQuency[:CW]": "frequency",
    "[SENSe:]AVERage:COUNt": "averaging",
    "UNIT:POWer": "unit",
    "INITiate:CONTinuous": "continuous",
}

METER_ACTIONS = {"READ?": "read", "CALibration:ZERO:AUTO": "zero"}

SWITCH_ACTIONS = {
    "ROUTe:CLOSe": "close",
    "ROUTe:CLOSe?": "is closed",
    "ROUTe:CLOSe:STATe?": "closed",
    "ROUTe:OPEN": "open",
    "ROUTe:OPEN:ALL": "open all",
}

SENSE_ACTIONS = {"SENSe:LID?": "lid", "MEASure:TEMPerature?": "temperature"}

SOURCE = Dialect(SOURCE_SETTINGS, SYSTEM | SOURCE_ACTIONS)
ANALYZER = Dialect(ANALYZER_SETTINGS, SYSTEM | ANALYZER_ACTIONS)
METER = Dialect(METER_SETTINGS, SYSTEM | METER_ACTIONS)
SWITCH = Dialect({}, SYSTEM | SWITCH_ACTIONS)
SENSE = Dialect({}, SYSTEM | SENSE_ACTIONS)
