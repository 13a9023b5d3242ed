"""What people of a harbour town head their columns with, and how they write down what came of a job.

English, German, Dutch, French and Spanish trade words; common practice, no published source. Everything
here is only a guess that a person confirms.
"""

from __future__ import annotations

import re
import unicodedata

HEADINGS: dict[str, str] = {
    "uid": "case|case no|case number|job|job no|job number|ticket|order|order no|repair no|ref|reference|no|nr|id|"
           "beleg|belegnr|beleg nr|vorgang|vorgangsnr|vorgangsnummer|laufnummer|rma|rma no|work order|docket|slip|slip no|"
           "auftrag|auftragsnr|auftragsnummer|auftrag nr|fall|fallnummer|rep nr|reparaturnummer|lfd nr|"
           "opdracht|opdrachtnr|bon|bonnummer|bonnr|werkbon|dossier|no dossier|numero|bon de travail|fiche|"
           "orden|pedido|expediente|n orden",
    "family": "board|board no|board number|board family|family|pcb|model|type|module|unit|psu|platine|platinennummer|"
              "platinen nr|leiterplatte|baugruppe|netzteil|typ|gerat|print|printplaat|printnummer|voeding|toestel|"
              "carte|platine no|modele|appareil|alimentation|placa|tarjeta|modelo|fuente|equipo",
    "alias": "other number|other no|second number|part number|sticker|label|artikelnummer|teilenummer|aufkleber|"
             "ander nummer|artikelnr|autre numero|reference carte|otro numero|etiqueta",
    "revision": "revision|rev|version|ver|ausgabe|stand|revisie|versie|indice|edicion",
    "brand": "brand|make|manufacturer|maker|marke|hersteller|fabrikat|merk|fabrikant|marque|fabricant|marca|fabricante|"
             "produttore",
    "device": "device|appliance|equipment|kind of device|type of device|product|product category|item|item type|"
              "gerat|gerateart|geraet|apparaat|soort apparaat|toestel|appareil|type appareil|aparato|equipo|"
              "apparecchio|dispositivo",
    "year_made": "year made|year of manufacture|year of production|built|model year|baujahr|bouwjaar|"
                 "annee de fabrication|annee fabrication|ano de fabricacion|anno di produzione",
    "serial": "serial|serial no|serial number|s n|sn|seriennummer|serien nr|serienummer|numero de serie|no de serie|"
              "num serie|numero di serie|matricola",
    "received": "received|date in|in|arrived|intake|date|day in|came in|eingang|eingangsdatum|datum|annahme|"
                "angenommen|datum eingang|binnen|ontvangen|datum in|binnengekomen|recu|recu le|entree|date entree|"
                "date reception|reception|recibido|entrada|fecha|fecha entrada|fecha recepcion",
    "closed": "closed|date out|out|done|finished|returned|completed|ausgang|ausgangsdatum|fertig|fertig am|erledigt|"
              "abgeschlossen|datum ausgang|uit|klaar|gereed|datum uit|afgerond|sortie|date sortie|termine|rendu|"
              "cloture|salida|fecha salida|terminado|entregado|cerrado",
    "complaint": "say|they say|he says|she says|they said|moan|grumble|trouble|the trouble|story|customer story|owner story|"
                 "whats up|what is up|whats wrong|kundenaussage|kundentext|was fehlt|beschwerde|wat is er mis|"
                 "ce qu il dit|ce que dit le client|lo que dice|cosa dice|complaint|fault|problem|symptom|reported|as told|told|what came|fault reported|issue|what is wrong|customer says|defect|"
                 "fehler|fehlerbild|fehlerbeschreibung|beanstandung|reklamation|mangel|storung|problembeschreibung|klacht|"
                 "storing|probleem|omschrijving|panne|defaut|plainte|probleme|symptome|description|averia|falla|"
                 "queja|problema|sintoma|descripcion|kunde sagt|kunde meldet|kunde klagt|kunde berichtet|laut kunde|angabe kunde|"
                 "angaben kunde|kundenangabe|kundenangaben|meldung|gemeldet|customer reports|customer reported|client says|"
                 "owner says|owner reports|says|said|reported by customer|reported fault|customer words|what the customer says|"
                 "what the customer said|klant zegt|klant meldt|melding|melding klant|gemeld|client dit|le client dit|"
                 "dit le client|signale|signale par le client|cliente dice|dice el cliente|segun cliente|reportado|"
                 "il cliente dice|dice il cliente|segnalato|guasto|difetto|guasto segnalato",
    "customer": "customer|client|owner|ship|vessel|ferry|company|kunde|kundenname|schiff|auftraggeber|firma|klant|"
                "schip|klantnaam|bedrijf|navire|bateau|societe|cliente|barco|buque|empresa",
    "worker": "worker|technician|repaired by|tech|engineer|techniker|bearbeiter|monteur|technicus|technicien|tecnico",
    "waiting_for": "waiting for|parts ordered|wartet auf|bestellt|wacht op|besteld|en attente de|espera",
    "notes": "notes|note|remarks|remark|comment|comments|bemerkung|bemerkungen|notiz|notizen|anmerkung|hinweis|"
             "opmerking|opmerkingen|notitie|remarque|remarques|commentaire|observations|notas|observaciones|comentario",
    "verdict": "verdict|outcome|result|what came of it|how it ended|how it went|result after repair|ergebnis nach reparatur|"
               "resultaat na reparatie|resultat apres reparation|fixed|repaired|behoben|verholpen|gueri|resolu|curado|solucionado|status|state|end|ergebnis|resultat|befund|erledigung|resultaat|uitslag|"
               "resultado|estado|conclusion",
    "symptoms": "symptoms|symptome|symptomen|sintomas|symptoms seen",
    "readings": "readings|measurements|measured|voltages|messwerte|messung|messungen|spannungen|metingen|gemeten|"
                "spanningen|mesures|tensions|mediciones|medidas|tensiones",
    "work": "what i did|what we did|what was done|what has been done|work carried out|repair log|repair text|repair notes|"
            "repair description|work description|what i found|found and done|gemacht|was gemacht|was gemacht wurde|"
            "was wurde gemacht|befund was gemacht|durchgefuhrte arbeiten|durchgefuhrte arbeit|arbeiten|"
            "reparaturbericht|wat gedaan|wat is er gedaan|uitgevoerde werkzaamheden|werkzaamheden|travaux|"
            "travaux effectues|ce qui a ete fait|travail effectue|trabajo realizado|trabajos realizados|lo que se hizo|"
            "lavoro svolto|intervento|cosa e stato fatto|steps taken|steps|action taken|actions taken|measures taken|taken|"
            "what we tried|what was tried|tried|done to it|repair details|details of repair|job done|schritte|"
            "massnahmen|vorgehen|getan|unternommen|was getan|wurde gemacht|stappen|ondernomen|wat gedaan is|uitgevoerd|"
            "actions effectuees|actions realisees|mesures prises|demarche|pasos|medidas tomadas|acciones realizadas|"
            "azioni|azioni svolte|lavori eseguiti|lavoro eseguito|riparazione eseguita|cosa fatto",
    "part": "part|parts|component|replaced|part replaced|parts replaced|bad part|teil|teile|bauteil|bauteile|"
            "ersetzt|getauscht|defektes bauteil|onderdeel|onderdelen|vervangen|component vervangen|piece|pieces|"
            "composant|composants|remplace|pieza|piezas|componente|cambiado|repuesto",
    "part_class": "kind of part|part class|part type|component type|bauteilart|art des bauteils|soort onderdeel|"
                  "type composant|type de piece|tipo de pieza|tipo componente",
    "section": "section|area|stage|circuit|where|bereich|stufe|schaltungsteil|baugruppe defekt|gedeelte|sectie|trap|"
               "etage|zone|bloc|seccion|etapa|zona",
    "failure": "failure|what was wrong|cause|root cause|found|fault found|ursache|ausfall|ausfallart|gefunden|"
               "oorzaak|gevonden|cause panne|defaillance|causa|fallo|encontrado",
    "action": "action|repair|fix|work|work done|massnahme|reparatur|arbeit|ausgefuhrt|actie|reparatie|"
              "werk|handeling|action faite|fait|travail|reparation|intervention|accion|reparacion|trabajo",
    "result": "cured|did it help|helped|geholfen|geholpen|aide|ayudo",
    "cost": "cost|price|parts cost|material|amount|charge|kosten|preis|materialkosten|betrag|prijs|materiaal|bedrag|"
            "cout|prix|montant|coste|costo|precio|importe",
    "minutes": "minutes|min|mins|time|time spent|hours|labour|labor|hrs|minuten|zeit|arbeitszeit|dauer|stunden|std|tijd|"
               "uren|duur|temps|duree|heures|tiempo|minutos|horas|duracion",
    "follow_up_date": "follow-up|follow up|follow-up date|checked|nachfrage|nachkontrolle|ruckfrage am|nacontrole|"
                      "suivi|date suivi|seguimiento|fecha seguimiento",
    "follow_up_state": "still working|still works|follow-up state|follow-up result|lauft noch|nachfrage ergebnis|"
                       "werkt nog|fonctionne encore|sigue funcionando",
    "follow_up_note": "follow-up note|follow-up remark|nachfrage notiz|nacontrole opmerking|note suivi|nota seguimiento",
}  # fmt: skip

WORDS: dict[str, dict[str, str]] = {
    "verdict": {
        "repaired": "repaired|fixed|ok|done|cured|good|working|works|rep|yes|y|repariert|behoben|i o|io|in ordnung|"
                    "erledigt|fertig|ja|gerepareerd|gemaakt|goed|werkt|klaar|opgelost|repare|reparee|ok repare|"
                    "resolu|oui|reparado|arreglado|funciona|listo|si|bien",
        "no fault found": "no fault found|nff|ntf|no trouble found|no fault|nothing found|kein fehler|"
                          "kein fehler gefunden|k f g|kfg|k f|ohne befund|o b|geen fout|geen fout gevonden|niets gevonden|"
                          "pas de defaut|aucun defaut|rien trouve|ras|sin fallo|sin averia|nada encontrado",
        "not economical": "not economical|uneconomical|too expensive|ber|beyond economical repair|not worth it|"
                          "unwirtschaftlich|zu teuer|lohnt nicht|niet rendabel|te duur|non rentable|trop cher|"
                          "no rentable|antieconomico|demasiado caro",
        "not repairable": "not repairable|scrap|scrapped|dead|bin|binned|unrepairable|no|failed|irreparable|beyond repair|"
                          "nicht reparierbar|irreparabel|schrott|verschrottet|defekt|nein|niet te repareren|"
                          "afgeschreven|kapot|sloop|nee|non|hs|rebut|casse|non reparable|ferraille|no reparable|"
                          "chatarra|desechado",
        "declined": "declined|customer declined|refused|not wanted|abgelehnt|kunde lehnt ab|geweigerd|klant wil niet|"
                    "refuse|client refuse|rechazado|cliente rechaza|rifiutato",
        "open": "open|on bench|waiting|wait|waiting for parts|in work|pending|offen|wartet|in arbeit|warten auf teile|"
                "wacht|in behandeling|wacht op onderdelen|en attente|en cours|attente pieces|pendiente|esperando|"
                "en curso|abierto",
    },
    "result": {
        "cured": "cured|fixed|ok|yes|y|x|good|worked|solved|repaired|behoben|ja|i o|geholfen|repariert|gelukt|verholpen|"
                 "opgelost|gueri|resolu|oui|repare|curado|si|solucionado|reparado",
        "improved": "improved|better|partly|besser|teilweise|beter|deels|mieux|ameliore|mejor|mejorado",
        "no change": "no change|no|n|same|no effect|no help|nein|keine anderung|unverandert|nee|geen verschil|"
                     "zelfde|non|aucun effet|sans effet|sin cambio|igual",
        "worse": "worse|schlechter|schlimmer|slechter|erger|pire|peor",
        "not known yet": "not known yet|unknown|?|testing|unbekannt|im test|onbekend|test|inconnu|desconocido",
    },
    "follow_up_state": {
        "still working": "still working|ok|works|yes|good|lauft|lauft noch|ja|in ordnung|werkt|werkt nog|goed|marche|"
                         "fonctionne|oui|funciona|si|bien",
        "came back with the same fault": "came back with the same fault|came back|returned|same fault|same|again|"
                                         "wieder da|gleicher fehler|zuruck|terug|zelfde fout|revenu|meme panne|"
                                         "volvio|misma averia",
        "came back with another fault": "came back with another fault|other fault|another fault|different fault|"
                                        "anderer fehler|andere fout|autre panne|otra averia",
    },
    "section": {
        "mains input": "mains input|mains|input|primary|netz|netzeingang|eingang|primar|netingang|ingang|secteur|"
                       "entree|entree secteur|red|entrada",
        "inrush and rectifier": "inrush and rectifier|rectifier|gleichrichter|gelijkrichter|redresseur|rectificador",
        "bulk and power factor stage": "bulk and power factor stage|pfc|bulk|power factor|zwischenkreis|siebung",
        "standby converter": "standby converter|standby primary",
        "standby output": "standby output|standby|5vsb|sby|stby|5v standby|bereitschaft|stand-by",
        "enable and relay": "enable and relay|relay|enable|relais|rele",
        "main converter": "main converter|main|converter|smps|hauptwandler|wandler|omvormer|convertisseur|convertidor",
        "feedback": "feedback|regulation|regelung|terugkoppeling|retroaction|realimentacion",
        "logic output": "logic output|3v3|5v|logic|logik|logica|logique",
        "intermediate output": "intermediate output|12v|12 v",
        "backlight output": "backlight output|backlight|24v|led|hintergrundbeleuchtung|achtergrondverlichting|"
                            "retroeclairage|retroiluminacion",
        "audio output": "audio output|audio|sound|ton|geluid|son|sonido",
        "protection": "protection|schutz|schutzschaltung|beveiliging|proteccion",
        "board and joints": "board and joints|joints|solder|track|board|lotstelle|lotstellen|leiterbahn|soldering|"
                            "soldeer|print|soudure|piste|soldadura|pista",
        "other": "other|misc|sonstiges|andere|overig|autre|otro",
    },
    "yes": {
        "present": "yes|y|x|xx|1|true|present|ja|j|oui|o|si|s|vrai|waar|verdadero|ok|v|✓|✔",
        "not present": "no|n|0|false|not present|absent|nein|nee|non|-|falsch|faux|onwaar|falso",
    },
}  # fmt: skip

PART_WORDS: dict[str, str] = {
    "electrolytic capacitor": "elko|elkos|elektrolytkondensator|elco|elcos|condensateur chimique|chimique|"
                              "condensador electrolitico|electrolitico|cap|caps|kondensator|condensator|condensateur|"
                              "condensador|capacitor|electrolytic",
    "resistor": "widerstand|weerstand|resistance|resistencia|resistor",
    "fuse": "sicherung|feinsicherung|zekering|fusible|fuse",
    "relay": "relais|rele|relay",
    "diode": "diode|dioden|diodo",
    "bridge rectifier": "gleichrichter|bruckengleichrichter|gelijkrichter|pont de diodes|puente|bridge",
    "bipolar transistor": "transistor|transistoren",
    "MOSFET": "mosfet|fet",
    "optocoupler": "optokoppler|optocoupler|optokoppelaar|optocoupleur|optoacoplador",
    "transformer": "trafo|transformator|transfo|transformateur|transformador",
    "inductor": "spule|drossel|spoel|bobine|self|bobina",
    "varistor": "varistor|vdr|mov",
    "connector": "stecker|buchse|connector|stekker|connecteur|conector",
    "solder joint": "lotstelle|lotstellen|kalte lotstelle|soudure|soldadura|soldeerverbinding|dry joint",
    "fan": "lufter|ventilator|ventilateur|ventilador",
    "switch": "schalter|taster|schakelaar|interrupteur|interruptor",
    "battery": "batterie|akku|batterij|accu|pile|bateria|pila",
}  # fmt: skip

_MARKS = re.compile(r"[^\w?+✓✔-]+")


def folded(text: str) -> str:
    """A word or heading as it is compared: no accents, no case, no marks, one space."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    plain = "".join(char for char in plain if not unicodedata.combining(char))
    return " ".join(_MARKS.sub(" ", plain.replace("_", " ")).split())


# What stands for the cell above; common practice, no published source.
_DITTO = frozenset(
    ("ditto", "dito", "dto", "do", "same", "same as above", "as above", "same board", "idem", "id", "wie oben", "s o",
     "same set", "same fault", "same problem", "same thing", "same again", "same story", "as before too", "as last one",
     "gleicher fehler", "gleiches gerat", "gleiches problem", "derselbe fehler", "selber fehler", "zelfde klacht", "zelfde fout",
     "zelfde toestel", "zelfde probleem", "meme panne", "meme defaut", "meme probleme", "meme chose", "misma averia", "mismo fallo",
     "stesso guasto", "stesso difetto", "gleiche", "gleiche platine", "ebenso", "w o", "wie vor", "dgl", "desgl", "desgleichen", "see above", "as before", "siehe oben",
     "zie boven", "voir ci dessus", "ver arriba", "vedi sopra", "pareil", "meme", "zelfde", "als boven", "igual", "lo mismo",
     "come sopra", "c s")
)  # fmt: skip
_DITTO_MARKS = frozenset("\"'\u2033\u3003\u201d\u201c\u201e\u00bb\u00ab")
_BESIDE_DITTO_MARKS = frozenset(" ,-")


_REFERS = re.compile(
    r"(?:see|as|like|same as|wie|siehe|s\.|vgl\.?|voir|comme|zie|als|ver|como|vedi|come)\s{1,3}"
    r"(?:(?:job|ticket|no\.?|nr\.?|auftrag|beleg|#)\s{0,3})?([A-Za-z]{0,3}-?[0-9]{1,7})\.?",
    re.IGNORECASE,
)


_ONE_BOARD = r"[A-Za-z]{1,6}[-_ ]?[0-9][A-Za-z0-9-]{0,9}"
_TWO_BOARDS = re.compile(
    rf"{_ONE_BOARD}(?:\s{{0,3}}(?:[+&,;]|\b(?:and|und|et|en)\b)\s{{0,3}}{_ONE_BOARD}){{1,5}}", re.IGNORECASE
)


_LONGEST_REFERENCE = 40
TOTALS = frozenset(
    ("total", "totals", "subtotal", "grand total", "sum", "sums", "summe", "summen", "gesamt", "gesamtsumme", "insgesamt",
     "zusammen", "endsumme", "zwischensumme", "ubertrag", "totaal", "som", "samen", "totaux", "somme", "sous total",
     "total general", "suma", "totale", "totali", "somma")
)  # fmt: skip
"""Words for a row that sums up others; common practice, no published source."""


def numbers_a_job(cell: str) -> bool:
    """Whether a cell of the column of job numbers holds one, and no word for a sum."""
    words = folded(cell)
    return bool(words) and words not in TOTALS and not any(words.startswith(f"{one} ") for one in TOTALS)


def names_two_boards(text: str) -> bool:
    """Whether a cell holds the numbers of several boards: `TVM-31 + GZM-14`."""
    return len(text) <= 120 and _TWO_BOARDS.fullmatch(text.strip()) is not None


def referred_to(text: str) -> str:
    """The number of the job that a cell refers to ("see A4", "wie 101"), "" where it refers to none."""
    found = _REFERS.fullmatch(text.strip()) if len(text) <= _LONGEST_REFERENCE else None
    return found[1] if found else ""


def is_ditto(text: str) -> bool:
    """Whether a cell says that it is as the one above: "dto.", "same", a ditto mark."""
    signs = set(text)
    only_marks = bool(signs & _DITTO_MARKS) and signs <= _DITTO_MARKS | _BESIDE_DITTO_MARKS
    return only_marks or folded(text) in _DITTO


def _turned(words: dict[str, str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for ours, theirs in words.items():
        for word in theirs.split("|"):
            found.setdefault(folded(word) or word, ours)
    return found


HEADING_OF = _turned(HEADINGS)
"""Folded heading to the field it most likely is."""
OURS = {kind: _turned(words) for kind, words in WORDS.items()}
"""For each kind of word: folded word to the entry of our list."""
PART_CLASS_OF = _turned(PART_WORDS)
