"""The nomenclature: every canonical channel, its unit, possible range and the names it goes by.

The possible range says what a sensor of that kind can report at all; only what lies outside is
taken as no reading. It is wide on purpose: what is merely improbable stays and is judged by
analyses. The usual range says where the middle of a working sensor's readings lies; it serves
to tell units apart and nothing else. Where no source is named a range is common practice.

`terms` are phrases of lower-case words, parted by bars below. Abbreviations are those of SAE
J1930 / ISO 15031-2 (from memory), the rest plain English, German, French and Spanish, accents
taken off.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Channel:
    """One canonical channel. `low`, `high` and the usual range are in `unit`, ends included."""

    name: str
    unit: str
    low: float
    high: float
    usual_low: float
    usual_high: float
    quantity: str
    meaning: str
    terms: tuple[str, ...] = ()


def _channel(
    name: str,
    unit: str,
    possible: tuple[float, float],
    usual: tuple[float, float],
    quantity: str,
    meaning: str,
    terms: str,
) -> Channel:
    words = tuple(term.strip() for term in terms.split("|"))
    return Channel(name, unit, *possible, *usual, quantity, meaning, words)


# fmt: off
_LIST = (
    _channel(
        "engine_speed", "rpm", (0.0, 20000.0), (0.0, 12000.0), "rotation",
        "rotational speed of the crankshaft",
        "rpm | engine speed | engine rpm | revs | engine revs | engine revolutions | "
        "crankshaft speed | motordrehzahl | drehzahl | regime moteur | regime | vitesse "
        "moteur | regimen motor | regimen del motor | revoluciones | revoluciones motor | "
        "revoluciones del motor | velocidad del motor",
    ),
    # 0: what a controller shows of a sensor without supply or signal.
    _channel(
        "manifold_pressure", "kPa", (0.0, 600.0), (8.0, 420.0), "pressure",
        "absolute pressure in the intake manifold",
        "map | manifold absolute pressure | intake manifold absolute pressure | intake "
        "manifold pressure | manifold pressure | intake pressure | inlet manifold pressure | "
        "inlet pressure | boost | boost pressure | manifold vacuum | intake vacuum | engine "
        "vacuum | vacuum | saugrohrdruck | saugrohrabsolutdruck | ansaugdruck | ladedruck | "
        "pression collecteur | pression collecteur admission | pression admission | pression d "
        "admission | presion colector admision | pression tubulure | pression de "
        "suralimentation | presion colector | presion del colector | presion de admision | "
        "presion admision | presion del multiple | presion absoluta del colector",
    ),
    _channel(
        "manifold_pressure_target", "kPa", (1.0, 600.0), (15.0, 420.0), "pressure",
        "absolute manifold pressure the controller aims for",
        "manifold pressure target | boost target | map target | boost pressure target",
    ),
    # The record of sea level and of the highest roads lie well inside (108 and 50 kPa).
    _channel(
        "barometric_pressure", "kPa", (45.0, 115.0), (50.0, 110.0), "pressure",
        "pressure of the outside air",
        "baro | barometric pressure | barometer | atmospheric pressure | ambient pressure | "
        "ambient air pressure | luftdruck | umgebungsdruck | atmospharendruck | "
        "atmosphaerendruck | pression atmospherique | pression barometrique | presion "
        "atmosferica | presion barometrica",
    ),
    _channel(
        "throttle_position", "%", (-20.0, 120.0), (-5.0, 110.0), "share",
        "opening of the throttle, as logged",
        "tp | tps | throttle | throttle position | throttle angle | throttle opening | "
        "absolute throttle position | throttle position sensor | drosselklappe | "
        "drosselklappenstellung | drosselklappenwinkel | drosselklappenposition | papillon | "
        "position papillon | ouverture papillon | mariposa | posicion mariposa | posicion de "
        "la mariposa | apertura mariposa",
    ),
    _channel(
        "throttle_target", "%", (-20.0, 120.0), (-5.0, 110.0), "share",
        "opening of the throttle the controller aims for",
        "throttle target | throttle position target | throttle actuator control",
    ),
    # Thermistors report -40 open and 150 and more shorted; both stay, for the sensor check.
    _channel(
        "coolant_temperature", "degC", (-60.0, 250.0), (-45.0, 135.0), "temperature",
        "temperature of the engine coolant",
        "ect | clt | coolant | kuhlmittel | kuehlmittel | engine coolant temperature | coolant "
        "temperature | coolant temp | engine temperature | water temperature | water temp | "
        "kuhlmitteltemperatur | kuehlmitteltemperatur | kuhlwassertemperatur | "
        "kuehlwassertemperatur | wassertemperatur | motortemperatur | temperature liquide "
        "refroidissement | temperature de liquide de refroidissement | temperature du liquide "
        "de refroidissement | temperature eau | temperature d eau | temperatura refrigerante | "
        "temperatura del refrigerante | temperatura liquido refrigerante | temperatura agua | "
        "temperatura del agua",
    ),
    _channel(
        "intake_air_temperature", "degC", (-60.0, 250.0), (-45.0, 120.0), "temperature",
        "temperature of the air in the intake manifold",
        "iat | act | intake air temperature | intake air temp | intake temperature | inlet "
        "air temperature | inlet temperature | manifold air temperature | air charge "
        "temperature | charge air temperature | charge temperature | ansauglufttemperatur | "
        "ansaugtemperatur | ladelufttemperatur | temperature air admission | temperature d "
        "air d admission | temperature admission | temperatura aire admision | temperatura "
        "del aire de admision | temperatura admision | temperatura de admision",
    ),
    _channel(
        "ambient_air_temperature", "degC", (-60.0, 100.0), (-45.0, 60.0), "temperature",
        "temperature of the outside air",
        "aat | ambient air temperature | ambient temperature | outside temperature | outside "
        "air temperature | outdoor temperature | aussentemperatur | aussenlufttemperatur | "
        "umgebungstemperatur | temperature exterieure | temperature ambiante | temperatura "
        "exterior | temperatura ambiente",
    ),
    _channel(
        "oil_temperature", "degC", (-60.0, 250.0), (-45.0, 170.0), "temperature",
        "temperature of the engine oil",
        "eot | oil temperature | oil temp | engine oil temperature | oltemperatur | "
        "oeltemperatur | motoroltemperatur | motoroeltemperatur | temperature huile | "
        "temperature d huile | temperatura aceite | temperatura del aceite",
    ),
    _channel(
        "fuel_temperature", "degC", (-60.0, 200.0), (-45.0, 100.0), "temperature",
        "temperature of the fuel",
        "fuel temperature | fuel temp | kraftstofftemperatur | temperature carburant | "
        "temperatura combustible | temperatura del combustible",
    ),
    # Thermocouple type K ends at 1372 degC (IEC 60584-1).
    _channel(
        "exhaust_gas_temperature", "degC", (-60.0, 1372.0), (-45.0, 1150.0), "temperature",
        "temperature of the exhaust gas",
        "egt | exhaust gas temperature | exhaust temperature | exhaust temp | abgastemperatur "
        "| temperature echappement | temperature gaz echappement | temperature des gaz d "
        "echappement | temperatura escape | temperatura gases de escape | temperatura de "
        "escape",
    ),
    # Wideband probes work from about 0.65 to air; their instruments report up to 10 in free air.
    _channel(
        "lambda", "1", (0.3, 40.0), (0.5, 2.6), "mixture",
        "measured excess-air ratio, wideband",
        "lambda | afr | air fuel ratio | air fuel | measured lambda | measured afr | wideband "
        "| wideband lambda | wideband o2 | lambdawert | lambdawert gemessen | luftverhaltnis | "
        "luftzahl | richesse | richesse mesuree | relacion aire combustible | rapport air "
        "carburant | equivalence ratio | air fuel equivalence ratio | phi | riqueza | dosado | "
        "luft kraftstoff verhaltnis",
    ),
    _channel(
        "lambda_2", "1", (0.3, 40.0), (0.5, 2.6), "mixture",
        "measured excess-air ratio, second wideband probe or bank",
        "lambda 2 | afr 2 | air fuel ratio 2 | wideband 2 | equivalence ratio 2",
    ),
    _channel(
        "lambda_target", "1", (0.3, 40.0), (0.5, 2.6), "mixture",
        "excess-air ratio the controller aims for",
        "lambda target | afr target | air fuel ratio target | equivalence ratio target",
    ),
    _channel(
        "narrowband_voltage", "V", (-1.0, 6.0), (-0.2, 1.6), "voltage",
        "voltage of a switching oxygen sensor",
        "o2s | ho2s | o2 | oxygen sensor | o2 sensor | o2 voltage | narrowband | narrowband "
        "voltage | narrowband o2 | narrowband o2 voltage | narrow band | oxygen sensor voltage "
        "| sprungsonde | sondenspannung | lambdasondenspannung | lambdasonde | sonde lambda | "
        "tension sonde | tension sonde lambda | sonda lambda | tension sonda lambda",
    ),
    _channel(
        "spark_advance", "deg", (-90.0, 90.0), (-30.0, 60.0), "angle",
        "ignition timing before top dead centre, as the controller believes it",
        "sparkadv | spark advance | spark timing | spark | ignition timing | ignition advance "
        "| ignition | ign | ign timing | ign advance | timing advance | timing | advance | "
        "spark angle | ignition angle | zundwinkel | zuendwinkel | zundzeitpunkt | "
        "zuendzeitpunkt | vorzundung | avance | avance allumage | avance a l allumage | "
        "avance encendido | avance del encendido | angulo de encendido",
    ),
    _channel(
        "knock_retard", "deg", (-5.0, 90.0), (-5.0, 40.0), "angle",
        "ignition timing pulled by knock control, positive",
        "knock retard | knock correction | ks retard | spark retard | timing retard | "
        "klopfrucknahme | klopfruecknahme | zundwinkelrucknahme | zuendwinkelruecknahme | "
        "retrait cliquetis | correction cliquetis | retardo por detonacion | retardo "
        "detonacion",
    ),
    _channel(
        "knock_level", "1", (-1e6, 1e6), (-1e6, 1e6), "level",
        "knock intensity as logged; no common unit",
        "knock level | knock | ks | knock sensor | knock signal | knock intensity | knock "
        "voltage | klopfsignal | klopfpegel | klopfsensor | niveau cliquetis | cliquetis | "
        "nivel de detonacion | detonacion",
    ),
    _channel(
        "injector_pulse_width", "ms", (0.0, 200.0), (0.0, 40.0), "duration",
        "time the injector is energised for",
        "injector pulse width | injector pulsewidth | pulse width | pulsewidth | fuel pulse "
        "width | inj pw | pw | injection time | injector on time | injection duration | "
        "einspritzzeit | einspritzdauer | temps d injection | temps injection | duree "
        "injection | duree d injection | tiempo de inyeccion | tiempo inyeccion",
    ),
    _channel(
        "injector_duty", "%", (0.0, 200.0), (0.0, 130.0), "share",
        "share of the cycle the injector is energised for",
        "injector duty | injector duty cycle | inj duty | inj duty cycle | idc | fuel duty | "
        "injector load | einspritztastverhaltnis | einspritzventilauslastung | auslastung "
        "einspritzventile | taux injection | rapport cyclique injecteur | ciclo de trabajo "
        "inyector | ciclo inyector",
    ),
    _channel(
        "fuel_trim_short", "%", (-100.0, 100.0), (-60.0, 60.0), "trim",
        "short-term fuel trim, positive adds fuel",
        "shrtft | stft | short term fuel trim | short fuel trim | fuel trim short | fuel trim "
        "short term | short term trim | lambda correction | ego correction | closed loop "
        "correction | o2 correction | lambdaregler | lambdakorrektur | kurzzeitkorrektur | "
        "gemischkorrektur kurz | correction richesse | correction court terme | ajuste de "
        "combustible corto plazo | ajuste corto plazo | correccion corto plazo",
    ),
    _channel(
        "fuel_trim_long", "%", (-100.0, 100.0), (-60.0, 60.0), "trim",
        "long-term fuel trim, positive adds fuel",
        "longft | ltft | long term fuel trim | long fuel trim | fuel trim long | fuel trim "
        "long term | long term trim | langzeitkorrektur | gemischadaption | gemischkorrektur "
        "lang | correction long terme | ajuste de combustible largo plazo | ajuste largo "
        "plazo | correccion largo plazo",
    ),
    _channel(
        "mass_air_flow", "g/s", (-50.0, 2000.0), (-5.0, 900.0), "mass_flow",
        "mass of air drawn in a second",
        "maf | mass air flow | mass airflow | air flow | airflow | air flow rate | air flow "
        "rate from mass flow sensor | air mass | air mass flow | luftmasse | luftmassenstrom "
        "| debit air | debit d air | debit massique air | flujo de aire | flujo masico de "
        "aire | caudal de aire | masa de aire",
    ),
    _channel(
        "idle_air_control", "%", (-100.0, 200.0), (-60.0, 160.0), "share",
        "opening of the idle air valve",
        "iac | idle air control | idle air | idle valve | idle control valve | idle duty | "
        "idle air control duty | leerlaufregler | leerlaufsteller | leerlaufluft | regulateur "
        "de ralenti | vanne de ralenti | valvula de ralenti | control de ralenti",
    ),
    _channel(
        "idle_speed_target", "rpm", (0.0, 6000.0), (200.0, 4000.0), "rotation",
        "idle speed the controller aims for",
        "idle speed target | idle target | idle rpm target | engine speed target | rpm target "
        "| leerlaufsolldrehzahl | solldrehzahl",
    ),
    _channel(
        "wastegate_duty", "%", (-5.0, 120.0), (-1.0, 105.0), "share",
        "drive of the wastegate's solenoid",
        "wastegate duty | wastegate | wastegate duty cycle | wastegate solenoid | wgdc | "
        "boost duty | boost duty cycle | boost control duty | boost control | boost solenoid "
        "duty | boost solenoid | ladedrucktastverhaltnis | ladedruckregelventil | "
        "ladedruckventil | electrovanne suralimentation | valvula de descarga",
    ),
    _channel(
        "coil_dwell", "ms", (0.0, 50.0), (0.0, 12.0), "duration",
        "time the ignition coil is charged for",
        "dwell | coil dwell | dwell time | coil charge time | coil on time | schliesszeit | "
        "spulenladezeit | temps de charge bobine | tiempo de carga bobina",
    ),
    _channel(
        "ethanol_content", "%", (-5.0, 110.0), (-5.0, 105.0), "share",
        "share of ethanol in the fuel, by volume",
        "ethanol | ethanol content | ethanol percent | ethanol fuel | alcohol | alcohol "
        "content | flex fuel | flexfuel | ethanolgehalt | teneur ethanol | taux ethanol | "
        "contenido de etanol | etanol",
    ),
    _channel(
        "battery_voltage", "V", (0.0, 60.0), (5.0, 20.0), "voltage",
        "supply voltage at the controller",
        "b+ | battery | battery voltage | battery positive voltage | system voltage | supply "
        "voltage | control module voltage | module voltage | ignition voltage | voltage | "
        "volts | vbat | vbatt | batt | bat | batteriespannung | bordspannung | "
        "bordnetzspannung | versorgungsspannung | tension batterie | batterie | voltaje "
        "bateria | voltaje de bateria | tension bateria | tension de bateria | bateria",
    ),
    # SAE J1979's vehicle speed ends at 255 km/h; other sources of speed go further.
    _channel(
        "vehicle_speed", "km/h", (-5.0, 600.0), (-1.0, 420.0), "speed",
        "road speed",
        "vss | vehicle speed | vehicle speed sensor | road speed | speed | ground speed | gps "
        "speed | velocity | wheel speed | fahrzeuggeschwindigkeit | geschwindigkeit | "
        "fahrgeschwindigkeit | vitesse | vitesse vehicule | vitesse du vehicule | velocidad | "
        "velocidad del vehiculo | velocidad vehiculo",
    ),
    _channel(
        "fuel_pressure", "kPa", (-110.0, 40000.0), (-20.0, 25000.0), "pressure",
        "fuel pressure in the rail, gauge",
        "frp | fuel pressure | fuel rail pressure | rail pressure | kraftstoffdruck | "
        "benzindruck | raildruck | pression carburant | pression essence | pression rampe | "
        "presion combustible | presion de combustible | presion del combustible",
    ),
    _channel(
        "oil_pressure", "kPa", (-110.0, 2500.0), (-20.0, 1200.0), "pressure",
        "pressure of the engine oil, gauge",
        "eop | oil pressure | engine oil pressure | oil press | oldruck | oeldruck | "
        "motoroldruck | motoroeldruck | pression huile | pression d huile | presion aceite | "
        "presion de aceite | presion del aceite",
    ),
    _channel(
        "exhaust_back_pressure", "kPa", (-110.0, 1500.0), (-30.0, 800.0), "pressure",
        "pressure in the exhaust before the turbine or catalyst, gauge",
        "ebp | exhaust back pressure | exhaust backpressure | exhaust pressure | back "
        "pressure | exhaust manifold pressure | abgasgegendruck | abgasdruck | contre "
        "pression echappement | pression echappement | contrapresion de escape | presion de "
        "escape",
    ),
    _channel(
        "crankcase_pressure", "kPa", (-110.0, 300.0), (-60.0, 60.0), "pressure",
        "pressure in the crankcase, gauge",
        "crankcase pressure | crank case pressure | kurbelgehausedruck | kurbelgehaeusedruck "
        "| pression carter | presion carter | presion del carter",
    ),
    _channel(
        "crank_signal_errors", "1", (0.0, 1e9), (0.0, 1e9), "count",
        "losses of the crank signal, counting up",
        "crank signal errors | crank errors | crank signal loss | sync loss | sync errors | "
        "sync loss counter | sync loss count | crank sync errors | trigger errors | trigger "
        "error count | synchronisationsfehler | synchronisationsverluste | erreurs "
        "synchronisation | errores de sincronizacion",
    ),
    _channel(
        "run_time", "s", (0.0, 1e8), (0.0, 1e8), "duration",
        "time since the controller started",
        "run time | runtime | time since engine start | time since start | engine run time | "
        "seconds since start | uptime | laufzeit | motorlaufzeit | betriebszeit | temps de "
        "fonctionnement | temps depuis demarrage | tiempo de funcionamiento | tiempo desde "
        "arranque",
    ),
    _channel(
        "fan_state", "1", (0.0, 1.0), (0.0, 1.0), "state",
        "radiator fan off (0) or on (1)",
        "fc | fan | fan control | fan state | fan status | fan on | fan relay | cooling fan | "
        "radiator fan | lufter | luefter | kuhlerlufter | kuehlerluefter | lufterstatus | "
        "ventilateur | motoventilateur | ventilador",
    ),
    _channel(
        "latitude", "deg", (-90.0, 90.0), (-90.0, 90.0), "position",
        "geographic latitude",
        "latitude | lat | gps latitude | gps lat | breitengrad | latitud",
    ),
    _channel(
        "longitude", "deg", (-180.0, 180.0), (-180.0, 180.0), "position",
        "geographic longitude",
        "longitude | lon | lng | long | gps longitude | gps long | gps lon | langengrad | "
        "laengengrad | longitud",
    ),
)
# fmt: on

CHANNELS: Mapping[str, Channel] = MappingProxyType({channel.name: channel for channel in _LIST})
"""Every canonical channel by name, in the order of the contract's table."""

POSITION: tuple[str, ...] = ("latitude", "longitude")
"""Channels that never leave the machine."""

TARGET_OF: Mapping[str, str] = MappingProxyType(
    {
        "manifold_pressure": "manifold_pressure_target",
        "throttle_position": "throttle_target",
        "lambda": "lambda_target",
        "engine_speed": "idle_speed_target",
    }
)
"""The commanded channel that belongs to a measured one."""


def unit_of(name: str) -> str:
    """Unit of a canonical channel; `1` for anything else."""
    channel = CHANNELS.get(name)
    return channel.unit if channel else "1"
