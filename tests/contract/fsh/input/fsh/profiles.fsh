// Three of our profiles written by hand, to be compared with what our generator makes of the tables.

Alias: $record = https://fhirmod.example.org/fhir/CodeSystem/tamponade
Alias: $category = http://terminology.hl7.org/CodeSystem/observation-category
Alias: $entry = https://fhirmod.example.org/fhir/StructureDefinition/entry

RuleSet: Image
* meta 1..
* meta.security 1..
* meta.security.system 1..
* meta.security.code 1..
* extension ^slicing.discriminator.type = #value
* extension ^slicing.discriminator.path = "url"
* extension ^slicing.ordered = false
* extension ^slicing.rules = #open
* extension contains $entry named entry 1..1
* identifier 1..
* identifier ^slicing.discriminator.type = #value
* identifier ^slicing.discriminator.path = "system"
* identifier ^slicing.ordered = false
* identifier ^slicing.rules = #open
* identifier contains entry 1..1
* identifier[entry].system 1..
* identifier[entry].system = "https://fhirmod.example.org/fhir/NamingSystem/entry-id" (exactly)
* identifier[entry].value 1..
* partOf 1..
* category 1..1
* category = $category#exam
* code 1..
* subject 1..
* subject only Reference(Patient)
* encounter only Reference(Encounter)
* effective[x] 1..
* effective[x] only dateTime
* issued 1..

Profile: BleedingResponse
Parent: Observation
Id: bleeding-response
* insert Image
* code = $record#bleeding-response
* value[x] only CodeableConcept
* value[x] from https://fhirmod.example.org/fhir/ValueSet/response (required)
* component ^slicing.discriminator.type = #pattern
* component ^slicing.discriminator.path = "code"
* component ^slicing.ordered = false
* component ^slicing.rules = #open
* component contains bleeding-amount 0..1
* component[bleeding-amount].code = $record#bleeding-amount
* component[bleeding-amount].value[x] only CodeableConcept
* component[bleeding-amount].value[x] from https://fhirmod.example.org/fhir/ValueSet/bleeding-amount (required)

Profile: MentalState
Parent: Observation
Id: mental-state
* insert Image
* code = $record#mental-state
* value[x] only CodeableConcept
* value[x] from https://fhirmod.example.org/fhir/ValueSet/mental-state (required)

Profile: BalloonInPlace
Parent: Flag
Id: balloon-in-place
* meta 1..
* meta.security 1..
* meta.security.system 1..
* meta.security.code 1..
* category 1..
* code 1..
* code = $record#balloon-inside
* subject 1..
* subject only Reference(Patient)
