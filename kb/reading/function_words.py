"""The small words around facts, in all languages together; common practice, no published source."""

from __future__ import annotations


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Words before the name of a supply on which something was measured.
ON = _words(
    """
    aan ac across al am an at au auf aux bei dc de dei del dell dem den der du el en il im in l la le lo
    nel on op over p pk pp rail ripple su sui sul sulla sur the vdc
    """
)

# What may stand between a supply or point and its number.
BETWEEN = _words(
    """
    hatte had avait tenia aveva a about adesso after again ahora als alta alto are around at auf
    back baja bajo bas base bassa basse basso bei beide beiden bene between bien bleibt blijft bon
    both bricht bulk ca cae cap capacitor ce chacun chute circa climbs collector comes con constant
    contact contacten contacto contactos contacts contatti contatto crolla cuando cycles cycling d
    da dal dalla dc de dead di dip dips dmm down drain dropped dropping drops ds e each ein elco
    elko emitter en encore entre era es est esta etait etwa faellt fallt fell fine for fra from g
    gate geeft gemessen gemeten get gives goed goes good got gut ha habe hangs hat haut have hay
    hiccuping hiccups high highest hoch hoog hovers hunting i if is ist it je jeder jetzt jumps just
    konstant kontakt kontakte laag legge liegt line low lowest maar maintenant marca max maxi
    maximum me measured measures medido meet mesure mesuree met meter mide min mini minimum mir
    misst misura misurato mit naar nach niedrig noch nog now nu nun nur of ok ongeveer only op ora
    oscila oscilla oscille otra output peak pendelt pin pompt present pulsa pulse pulseert pulses
    pulsiert pulsing quand quando que queda rail read reading reads remains remonte resta reste
    restored revient rimane rises s sagging sags sale says scende schiene schommelt schwankt see
    segna seulement showing shows sind sinkt sits sitting slechts solo sotto source sous spanning
    spannung springen springt staat stabiel stabil stable stay stays steady still stuck sube supply
    swings taktet tension tensione terug the then to tombe torna tornato tra tussen ueber under
    unstable unter up value van varia varies vdc vers vez voltage von vorhanden vuelve war was weer
    wel wenn went were wert when wieder with wobbles you zakt zeigt zwischen
    here almost approx barely estan caen bajan suben marcan dan danno fallen gets getting gives given geven has haben
    hovering hovers just liegen lies montent nearly restent roughly salgono scendono sinken somewhere staan stanno
    stehen steigen still tombent wandering wanders zakken zeigen zitten reaches reached goes
    rock than sits sitting settles starts begins gets only reads showing shows stuck solid
        charged creeps creeping rising makes
        delivers delivering puts putting outputs coming comes out bit little
    """
)

# Between the two ends of a range.
RANGE = _words(
    """
    / a al and auf bis e ed en et to tot und y
    """
)

# What says that a number at a part was measured and is not printed on it.
MEASURED = _words(
    """
    = down gemessen gemeten hat is measured measures medido meet mesure mesuree mide misst misura
    misurato now nur only read reads shows zeigt
    """
)

# Before the first of two values.
FROM = _words(
    """
    da dai dal de du from van von
    """
)

# Between the first and the last value of a supply that gives way.
DOWN_TO = _words(
    """
    a ad al alla auf bis down fino hacia hasta jusqu jusque naar op sur then to tot vers verso zu
    """
)

# Between the time spent and the price.
FOR = _words("and for fuer und pour et voor en por y per e plus for total")

# Before the least or the most that was read; MORE only behind a denial: "never more than 11".
LEAST = _words("least least lowest min mini minimal minimo minimum")
MOST = _words(
    """
    highest hoechstens hooguit hoogstens max maxi maximaal maximal maximale maximo maximum massimo most peak
    peaks tops
    """
)
MORE = _words(
    "above beyond boven groesser hoger hoeher higher mas meer mehr more oltre over past piu plus ueber"
)

# What says that a value has come back.
AGAIN = _words(
    """
    again back nuevamente otra recuperado remonte repasse restored revenu revenue revient riporta terug
    torna tornata tornato vuelve weer wieder
    """
)

# What says that a value was read after what was told before.
NOW = _words(
    """
    adesso after afterwards ahora apres daarna danach desormais despues dopo jetzt maintenant now nu nun
    ora
    """
)

# What says that a value was read earlier.
BEFORE = _words(
    """
    antes au avant before debe deberia devrait dovrebbe eerst era estaba etait instead lieu moet prima
    should soll sollte statt voorheen vorher war was
    """
)

# Before a value that should be there.
SHOULD = _words(
    """
    debe deberia devrait dovrebbe hoort instead invece lieu moet nominal rated should soll sollte statt
    stelle supposed vez
    """
)

# What may stand between the parts of a list.
LISTED = _words(
    """
    & + , / a all alle also anche and are auch aussi avec beide beiden both con dann das de der deux die
    bis thru to tot dos drei drie due e ed el en era erano est esta estan et etait gli het i il is ist l la
    las le les
    los met mit neue new och ook plus sind sont sowie tambien the then three toen tre tres trois twee
    two und war waren was were with y zwei
    """
)

# What joins one more part to a list.
EXTENDS = _words(
    """
    & + , / also anche and auch aussi avec con e en et met mit ook plus sowie tambien und with y
    """
)

# Beside a part: it was replaced.
NEW = _words(
    """
    fitted neu neue neuen neuer neues neuf neufs neuve neuves new nieuw nieuwe nouveau nouveaux nouvelle
    nueva nuevas nuevo nuevos nuova nuove nuovi nuovo replacement
    """
)

# Beside a duration: it was spent at the bench.
WORK = _words(
    """
    arbeid arbeit arbeitszeit aufwand bench duree hands job labor labour lavoro main mano manodopera
    done klus gedaan gemacht hecho fatto fait obra oeuvre spent tempo temps tiempo tijd time took
    total trabajo travail werk work zeit
    """
)

# What may stand beside the price of parts.
MATERIAL = _words(
    """
    aan about all an bits ca charge cost coste costo costs cout de di en environ ersatzteile for fur
    gesamt in insgesamt kosten materiaal material materiale materials materiel of onderdeel onderdelen
    part parts per pezzi pezzo piece pieces pieza piezas por pour precio preis prezzo price prijs prix
    ricambi ricambio spent stuck teil teile total up voor
    """
)

# Beside an amount that nobody paid for parts.
NOT_PAID = _words(
    """
    donated donation donations gift spende gespendet geschenkt don donativo fooi wilde wollte voulait queria
    voleva flohmarkt told said says gesagt sagte dit dice ha detto
    achat als angebot bezahlt bought budget cap comprado compro costs costing deposit devis gekauft gekocht
    gekost
    hasta hoechstens hooguit kostenvoranschlag kostete kva limit limite max maximaal maximal maximo maximum maxi
    massimo mehr more most neupreis neuwert nieuwprijs over pagato paye payed secondhand tope under up
    acheté achete
    acconto anticipo anzahlung aanbetaling acompte offer offered offerte paid presupuesto preventivo price
    que quote
    quoted than vale value vaut waard wert worth would wurde zou
    """
)

# What says nothing beside a number.
FILLER = _words(
    """
    ( ) + - / : = about all approx ca charge circa environ etwa no total ~ ≈
    """
)

NOTHING = _words("nothing anything nichts nix rien niets niks nada niente nulla")

# Denials that may stand behind what they deny.
NOT_AFTER = _words(
    """
    jamais nee nein net nicht nie niet nix no none nooit not pas plus
    """
)

# What stands before a noun ("no picture"); "not the fuse" says something else.
NOT_BEFORE_NOUNS = _words(
    """
    aucun aucune d geen kein keine keinem keinen keiner keinerlei keins n ne neither nessun nessuna
    nessuno ni niente ningun ninguna no noch none nor nulla ohne pas plus sans senza sin weder without
    zonder
    """
)

# What joins two things that are denied together.
JOINS = _words(
    """
    & / and e en et ne ni noch nor o oder of or ou und y
    """
)

# Denials beside verbs.
PLAIN_NOTS = _words(
    """
    aint cannot cant couldnt didnt doesnt dont wont wouldnt n ne never nicht nie niet nimmer no non nooit
    not pas wont
    """
)

# Beside a part on which the soldering was done: "dry joint at CN3".
JOINT_OF = _words(
    """
    a aan af al alla am an ans at au auf aux bei beim bij by d dans de degli dei del dell della des dem den
    der di du een ein einem einer el en het il im in l la las le los nel nella of on op s su sui sul sull
    sulla sur t the un una und une van von vom
    """
)

# Small words of a clause that names the next part to be tried: "then the opto".
NEXT = _words(
    """
    also anche auch aussi c danach dann das de der despues die dopo el ensuite era es etait het il it l
    la le lo luego next noch ook poi puis tambien that the then toen war wars was
    """
)

# Before a part that only says where something is.
PLACE = _words(
    """
    across am an at auf aux behind bei beside between bij by cerca de del della des du en from hinter junto naast
    near neben of on onder op over parallel pres
    acciona attiva comanda aanstuurt ansteuert treibt switches
    commande driving drives pilota pilotant pilote steuert stuurt controla maneja sotto su sul sur to under
    unter
    vers vicino von
    """
)

# Of these, the words that may join a piece to its part: "the coil of K2".
OF = _words("of de del della des du von van di en")

# What may be run or tried for a time, which is not time spent on the repair.
RUN = _words(
    """
    after alle apres bene bien burn cada da dauertest depuis desde despues dopo draait elke essai every
    for gedraaid gelaufen getest getestet goed in laeuft laufen lief na nach ogni ok probado probelauf
    prova provato prueba ran run running runs seit since sinds soak soaked test teste tested tourne
    tourner toutes tras within
    """
)

# What sets something against what was said before, and ends a clause.
BUT = _words("but however although though aber jedoch sondern mais maar pero sino ma whereas doch toch")

# Between two supplies of which the same is said.
JOINS_OF_RAILS = _words("and und et en y e & / or")

# What was asked for and is not fitted yet.
ORDERED = _words(
    """
    awaiting besteld bestellen bestellt commande commandee needed needs order ordered ordinata ordinato
    pedida pedido waiting wanted
    """
)

# Before a value that a supply keeps.
STEADY = _words(
    """
    aguanta estable haelt halt hold holds measures meet mesure mide misst misura reads regge stabiel
    stabil stabile stable steady tient
    """
)

# Behind bare volts that name a supply: "24 is 23.8".
IS_RAIL = _words("= : is at rail line supply schiene leitung ligne rail linea riel reads measures")

# When a value was read: "24.0 cold and 21 hot".
WHEN_MEASURED = _words(
    "before after cold hot warm kalt warm heiss froid chaud koud heet frio caliente freddo caldo"
)
# Verbs of a value that goes up: "4.6 rising to 5.0".
RISES = _words("rises rising climbs climbing creeps creeping")
# Verbs behind which a value stands, whatever word stands before them.
GIVES = _words("gives makes reads measures shows delivers outputs")

# Between a value and the one that it should be: "68 of 150".
INSTEAD_OF = _words(
    """
    anstatt de di instead invece labelled lieu marked moet nominal nominale nominell of out rated should
    soll sollte statt stelle su sur van vez von zou
    """
)

# Between the value that something had and the one that it has: "470 down to 90".
CHANGED_TO = _words(
    """
    a adesso ahora auf bis da down fait fino gone hasta jetzt jusqu lit nog noch now ora measures measured
    misst misura mesure meet mide naar nach
    reading reads to tot up went
    """
)

# What else may stand between two values of one part.
BESIDE_VALUES = _words(
    """
    ( , au be d dem der em en from hebben in instead is it its just mehr now only que sein the uf un
    zijn
    """
)

# Words for the output of a supply.
OUTPUT = _words(
    """
    ausgang ausgangsspannung line linea ligne out output outputs puts rail salida schiene sortie spannung
    spanning
    tension tensione uitgang uitgangsspanning uscita voltage volts
    """
)

ARTICLES = _words("das de dem den der die el het il la le lo the")

# Before a bare number that names a supply: "14.6 on the 12".
ON_ONE = _words("across am an auf en on op su sul sulla sur")

# Behind a fix: what was gone is there again.
BACK_AGAIN = _words("again back nouveau nuevo nuovo revenu revenue revenus terug weer wieder zurueck")

# Before "nouveau" and its like: "again", not "new".
BEFORE_AGAIN = _words("a de di")

# Words for a whole board or supply that was replaced.
WHOLE_BOARD = _words(
    """
    alim alimentacion alimentatore alimentation board carte fuente hauptplatine mainboard module modul
    moduulprint motherboard netzteil placa platine print psu scheda supply voeding
    """
)

# Words for what feeds a device from outside, which is replaced whole.
ADAPTER = _words(
    """
    secteur adaptador adaptateur adapter adapters adaptor alimentatorino chargeur fuente netzadapter netzstecker
    steckernetzteil steckernetzgeraet transfo trasformatorino voedingsadapter wallwart netzgeraet netzkabel
    ladegeraet lader ladekabel laadkabel cargador caricatore
    """
)

# A contact of the relay or switch that was named before.
CONTACT = _words("contact contacts contacten kontakt kontakte kontakten contacto contactos contatto contatti")

# Verbs of trying another one, beside a word for another one.
TRIED = _words(
    """
    essaye essayee essayes geprobeerd getest getestet probado probada probe probiert proviamo provato
    provata test
    teste tested testing tried try trying versucht
    """
)

# Another of the same kind: "tried another board".
OTHER = _words(
    """
    altra altro ander andere anderem anderen anderer anderes another autre different known loan loaner otra
    otro other
    spare borrowed good
    """
)

# Behind a part of which the same is said: "fuse too".
ALSO = _words(
    "also anche auch aussi ebenso idem ook pareil same tambien too igualmente eveneens dito ditto gleichfalls"
)

# All parts that were named: "alles getauscht", "replaced both".
EVERY = _words(
    """
    all alle allebei alles ambas ambedue ambos beide beiden beides both entrambe entrambi everything lot tous
    tout toutes todas todo todos tutte tutti tutto pair deux two zwei twee dos due
    """
)

# Before a resistor that measures the current: "sense R22".
SENSES = _words(
    "sense sensing shunt source mess strommess sens meet stroommeet detection corriente corrente courant"
)

# Before a part that was replaced before something was measured: "5.05 after C8".
AFTER = _words("after apres despues dopo na nach tras")

# Behind the last of several values: "12.1, 5.0 all good".
ALL_GOOD = _words("all alle alles and et so todo tout tutte tutto und y")

# Of these, the words that are also said of a device on its way.
WAY_BACK = _words("back terug zurueck")

# Before "back": the device goes back, nothing came back.
SENT = _words(
    """
    an bring brought call fetch gaat geef geht gehen gave give given goes going het it kunden mee out ring
    schick send sending sent ship stuur take taken them took went
    """
)

# Beside a bare number: it is what parts cost.
PAID = _words(
    """
    bits cost coste costo cout ersatzteil ersatzteile kosten materiaal material materiale materials
    materiel onderdeel onderdelen part parts pezzi pezzo piece pieces pieza piezas recambio
    recambios repuesto repuestos ricambi ricambio teil teile
    """
)

# Right before what there is none of: "no cut-outs".
NONE = _words(
    """
    aucun aucune geen kein keine keinen keinerlei nessun nessuna ningun ninguna no none ohne pas
    sans senza sin without zero zonder
    """
)

# Alone behind a fix: what was wrong is gone.
GONE = _words("gone weg disparu disparue desaparecido desaparecida sparito sparita verschwunden verdwenen")

# What says that a job was done, before the time that it took: "repaired in 20 minutes".
DONE = _words(
    """
    repaired fixed done finished mended sorted changed replaced swapped gemacht repariert erledigt fertig
    getauscht
    repare reparee fait fini gerepareerd gedaan klaar vervangen reparado reparada hecho arreglado listo riparato
    riparata fatto sistemato
    """
)

# Behind a fix, in a clause without a bad word: the board does its work well.
WELL = _words(
    """
    again fine nicely normally properly steady steadily well correctly perfectly happily smoothly quietly
    freely brightly
    wieder einwandfrei sauber rund normal ordentlich problemlos prima tadellos bestens
    bien normalement parfaitement correctement nickel impeccable
    weer prima normaal netjes
    perfecto fino correctamente perfectamente normalidad
    bene normalmente perfettamente correttamente regolare regolarmente
    """
)

# Parts named one after the other: the first that was tried, and what leads to the next.
TRIED_FIRST = _words("first firstly erst zuerst abord eerst primero prima")
THEN = _words(
    "then next finally afterwards dann danach schliesslich puis ensuite enfin toen daarna luego despues poi dopo"
)

# Before what is asked for or still to be done.
ASKED = _words(
    """
    can could please pls should must bitte koennen koennten muss muessen pouvez pourriez kunt kunnen moet
    puede pueden
    podria puoi potete potreste
    """
)

# Before a light that shows something: "power LED".
BEFORE_INDICATORS = _words(
    """
    betriebs blue charge charging green groene orange power protect red rode roja rossa rote roter rouge standby
    status verde verte
    """
)

# Behind a light that shows something: "LED blinks".
BEHIND_INDICATORS = _words(
    """
    acceso allumee an aus blinking blinks blinkt brandt clignote encendido eteinte flashes flashing glows goes
    knippert lampeggia leuchtet lit off on parpadea pulses rojo rosso spento stays
    """
)

# Beside "contact", which then is none of metal: "contact cleaner", "please contact".
NO_CONTACT = _words(
    """
    cleaner client customer falso faux her him kein kunde los mal mauvais me no owner please slecht spray to us
    """
)

# Behind a supply: how it is, without a value.
SAYS_STATE = _words(
    """
    bene bien bon bonne da dead dood falta fehlt fine goed gone good gut manca manque missing mort morto muerto
    ok present tot weg
    """
)

# Before what was done some time ago, which is no fix of this job: "since the battery was replaced".
SINCE = _words("since seit seitdem depuis sinds desde dacche")

# Before what a person does with a device and not with its board: "when you turn it up".
WHEN = _words("when whenever if once wenn sobald falls quand si lorsqu als wanneer cuando quando se")
SOMEBODY = _words("you i one we man ich on je vous tu u men usted uno si")

# Before a word that says how something is and not what was done: "everything looked clean".
SEEMS = _words(
    """
    is was are were looks looked look seems seemed very all quite everything nice ist war sieht alles sehr est
    etait semble tout tres is lijkt alles heel es esta parece todo muy sembra tutto molto
    """
)

# Beside what a meter's diode range shows.
DROP = _words(
    """
    drop drops ol vf forward reverse reversed directions direction ways way junction flussspannung durchlass
    seuil
    """
)

# Between a denial and "above": "never gets above 9".
REACHES = _words(
    """
    gets goes reaches rises comes gets goes climbs geht steigt kommt monte depasse komt gaat sube pasa sale
    va
    """
)

# English: before a noun with its own verb.
DETERMINERS = _words("the a an my his her our your their its this that one both each")

# English: between a noun and what is said of it.
BEFORE_PREDICATE = _words(
    """
    is was are were be been has have had does do did will would can could went goes going gone keeps kept
    seems now then just still also again completely totally suddenly sometimes always often only ever all
    not
    """
)

# English: behind a noun, before the place.
PREPOSITIONS = _words("in on at with of from to for by under behind inside")

# English: what may be denied somewhere else than in the device.
FAULT_NOUNS = _words("fault faults problem problems trouble defect defects reason")

# English: none of its volts.
NO_VOLTS = _words("zero nil zilch nought naught")

# English: ends like a verb of moving before "to", and is none.
NO_MOVES = _words("connected compared adjusted trimmed set attached soldered wired switched shorted")

# English: behind a second value, what was different.
CONDITIONS = _words(
    """
    on off with without at under when once while as before after now loaded unloaded cold hot warm idle in
    if
    """
)

# Behind ohms at a capacitor: those of a short or a leak.
OF_A_SHORT = _words("short shorted shorts ground gnd earth leaky leakage kurzschluss kurz masse")

# English: what stands before a predicate and is no other thing.
NO_NOUNS = _words(
    """
    i we you he she they ours mine who which that this these those one and but or so because since when if as than
    now today yesterday then there here already either nothing something came arrived brought in says said reported
    reports with to for after before until while whether though although it the a an my our your very too quite
    """
)

# Parts of a device that are worn and are none of a board.
MECHANICAL = _words(
    """
    bearing bearings belt belts gear gears shaft axle spindle hinge spring brush brushes bush bushing wheel lager
    riemen zahnrad welle achse feder roulement courroie engrenage axe ressort lagers riem tandwiel as veer rodamiento
    correa engranaje eje muelle cuscinetto cinghia ingranaggio albero perno molla
    """
)

# Where a device's ratings are printed.
PRINTED_ON = _words(
    """
    label plate sticker nameplate lid case typenschild schild aufkleber etiquette plaque typeplaatje plaatje etiqueta
    placa etichetta targhetta
    """
)
