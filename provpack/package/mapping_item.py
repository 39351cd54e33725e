"""Table of fields, first part: the record itself, the item, the carrier, people, custody, rights."""

from __future__ import annotations

TABLE = """
/schema_version - about the record itself
/record_id = bext OriginatorReference ~ bare; info ICMT ~ after 'record '
    ; premis object[carrier]/objectIdentifier[local]/objectIdentifierValue ~ within; mets @OBJID ~ urn
    ; aes57 secondaryIdentifier[transfer record identifier]; dc identifier ~ urn
/job_id = bext Description ~ cut; mets metsHdr/altRecordID[job]
/transfer_id = mets metsHdr/altRecordID[transfer]
/package_name = premis event[information-package-creation-1]//eventDetail ~ after 'package '
    ; mets metsHdr/altRecordID[package name]; aes57 audioObject/@disposition ~ after 'in package '
    ; dc identifier
/outcome = dc description ~ words
/outcome_note = dc description ~ words
/audio_sha256 = premis object[audio-1]//messageDigest; dc type ~ says 'Sound'
    ; aes57 appSpecificData ~ after 'SHA-256 of the audio payload alone: '
/coding_history = bext CodingHistory
/made_by/tool = info ISFT ~ within; premis agent[software]/agentName
    ; mets metsHdr/agent[SOFTWARE]/name ~ within
/made_by/version = info ISFT ~ within; premis agent[software]/agentVersion
    ; mets metsHdr/agent[SOFTWARE]/name ~ within; aes57 appSpecificData/@appVersion
/made_by/at = premis event[information-package-creation-1]/eventDateTime; mets metsHdr/@CREATEDATE
    ; aes57 objectCreationDate
/supersedes/record_id = premis event[information-package-creation-1]//eventDetail ~ words; dc replaces ~ urn
/supersedes/package_name = premis event[information-package-creation-1]//eventDetail ~ words
/supersedes/tagmanifest_sha512 = premis event[information-package-creation-1]//eventDetail ~ words
/supersedes/reason = premis event[information-package-creation-1]//eventDetail ~ words
/derived_from/record_id = premis event[modification-before-receipt-1]//eventDetail ~ words
    ; dc provenance ~ words
/derived_from/sha256 = premis event[modification-before-receipt-1]//eventDetail ~ words
    ; dc provenance ~ words
/derived_from/audio_sha256 = premis event[modification-before-receipt-1]//eventDetail ~ words
    ; dc provenance ~ words
/derived_from/agent = premis event[modification-before-receipt-1]//eventDetail ~ words
    ; dc provenance ~ words
/derived_from/audio_changed = premis event[modification-before-receipt-1]//eventDetail ~ words
    ; dc provenance ~ words
/derived_from/note = premis event[modification-before-receipt-1]//eventDetail ~ words; dc provenance ~ words
/item/client_item_id = bext Description ~ cut; info ICMT ~ after 'item '
    ; premis object[carrier]/objectIdentifier[client item identifier]/objectIdentifierValue
    ; mets metsHdr/altRecordID[client's item]; aes57 secondaryIdentifier[client item identifier]
    ; dc identifier
/item/title = bext Description ~ cut; info INAM; mets @LABEL; mets div[div-item]/@LABEL
    ; aes57 audioObject/@title; dc title
/item/recorded_date = info ICRD; dc created
/item/source_domain = history tape row A ~ in words
    ; mets sourceMD[sourcemd-aes57]//audioObject/@analogDigitalFlag ~ in words ? it is known, and there is
        audio
/item/source_items[]/order = mets div[div-source-{n}]/@ORDER
    ; mets dmdSec[dmdsec-source-{n}]//description ~ words
/item/source_items[]/client_item_id = mets dmdSec[dmdsec-source-{n}]//identifier
/item/source_items[]/carrier_id = mets div[div-source-{n}]/@LABEL; mets dmdSec[dmdsec-source-{n}]//source
/item/source_items[]/record_id = mets dmdSec[dmdsec-source-{n}]//identifier ~ urn
    ; mets div[div-source-{n}]/mptr/@href ~ urn ? it is another record; dc relation ~ urn
/item/source_items[]/overlap_frames = mets dmdSec[dmdsec-source-{n}]//description ~ words
/item/source_items[]/join_frame = mets dmdSec[dmdsec-source-{n}]//description ~ words
    ; mets div[div-source-{n}]/fptr/area/@BEGIN ~ time ? there is audio
/item/source_items[]/note = mets dmdSec[dmdsec-source-{n}]//description ~ words
/item/programme_segments[]/start = markers frame ? it is inside the audio
    ; mets div[div-segment-{n}]/fptr/area/@BEGIN ~ time
    ; mets div[div-segment-{n}]/fptr/area/@LABEL ~ within
/item/programme_segments[]/end = markers end ? the start is inside the audio
    ; mets div[div-segment-{n}]/fptr/area/@END ~ time; mets div[div-segment-{n}]/fptr/area/@LABEL ~ within
/item/programme_segments[]/title = markers label ? the start is inside the audio
    ; mets div[div-segment-{n}]/@LABEL; mets dmdSec[dmdsec-segment-{n}]//title; dc tableOfContents
/item/programme_segments[]/client_item_id = markers note ? the start is inside the audio
    ; mets dmdSec[dmdsec-segment-{n}]//identifier; dc hasPart
/item/programme_segments[]/note = mets dmdSec[dmdsec-segment-{n}]//description
/carrier/carrier_id = bext Description ~ cut; history tape row T ~ after 'source carrier '
    ; premis object[carrier]/objectIdentifier[carrier identifier]/objectIdentifierValue
    ; premis object[carrier]//contentLocationValue; mets div[div-carrier]/@LABEL
    ; aes57 secondaryIdentifier[carrier identifier]; dc source
    ; dc isFormatOf ? the transfer is complete and has audio
/carrier/carrier_type = info IMED; dc medium
    ; premis object[carrier]/significantProperties[carrier type]/significantPropertiesValue ? no note says
        more
    ; premis object[carrier]//storageMedium ? no note says more
/carrier/carrier_type_note = premis object[carrier]//storageMedium; dc medium
    ; premis object[carrier]/significantProperties[carrier type]/significantPropertiesValue
/carrier/carrier_label_length - only in record.json: a label, of use to whoever looks for the carrier
/carrier/carrier_nominal_minutes - only in record.json: no element for it
/carrier/tape_speed_mode = premis object[carrier]/significantProperties[tape speed
        mode]/significantPropertiesValue
/carrier/line_standard = history tape row T ~ in words ? it is known
    ; premis object[carrier]/significantProperties[line standard]/significantPropertiesValue
    ; aes57 appSpecificData ~ in words
/carrier/recording_format = info ISRF ~ in words; history tape row T ~ in words
    ; premis object[carrier]/significantProperties[recording format]/significantPropertiesValue
/carrier/recording_format_note = mets sourceMD[sourcemd-aes57]//audioDataEncoding ~ within ? the source
        is known, and there is audio
/carrier/source_codec = aes57 audioDataEncoding ~ within
/carrier/source_bit_depth = history tape row W ? it is a number and the source digital
    ; premis object[carrier]/significantProperties[coded word length in bits]/significantPropertiesValue
    ; premis object[master-1]/significantProperties[coded word length in bits]/significantPropertiesValue
/carrier/carrier_stock - only in record.json: no element for it
/carrier/label_transcription = premis object[carrier]/originalName
/condition/condition_terms[] = premis event[condition-assessment-1]//eventDetail ~ words ? its date is known
    ; mets sourceMD[sourcemd-aes57]//conditionNote/note ~ within ? the source is known, and there is audio
/condition/condition_note = premis event[condition-assessment-1]//eventDetail ~ words ? its date is known
    ; mets sourceMD[sourcemd-aes57]//conditionNote/note ~ within ? the source is known, and there is audio
/condition/condition_photos[]/path = mets FLocat/@href ~ location ? it is among the files
/condition/condition_photos[]/sha256 = premis fixity[SHA-256]/messageDigest ? it is among the files
/condition/condition_photos[]/note - only in record.json: a remark
/condition/condition_assessed_at = premis event[condition-assessment-1]/eventDateTime
/condition/treatments[]/type = premis event[treatment-{n}]//eventDetail ~ words
/condition/treatments[]/start = premis event[treatment-{n}]/eventDateTime ~ date
/condition/treatments[]/end = premis event[treatment-{n}]/eventDateTime ~ date
/condition/treatments[]/temperature_c = premis event[treatment-{n}]//eventDetail ~ words
/condition/treatments[]/agent = premis event[treatment-{n}]//eventDetail ~ words
/condition/treatments[]/consent_by = premis event[treatment-{n}]//eventDetail ~ words
/condition/treatments[]/consent_at = premis event[treatment-{n}]//eventDetail ~ words
/condition/treatments[]/consent_ref = premis event[treatment-{n}]//eventDetail ~ words
/condition/treatments[]/note = premis event[treatment-{n}]//eventDetail ~ words
/condition/condition_after[] = mets sourceMD[sourcemd-aes57]//conditionNote/note ~ within ? the source
        is known, and there is audio
/condition/condition_after_note = mets sourceMD[sourcemd-aes57]//conditionNote/note ~ within ? the
        source is known, and there is audio
/people/operator = info ITCH; premis agent[operator]/agentName
/people/qc_by = premis agent[qc-by]/agentName
/people/qc_note - only in record.json: a remark
/people/transfer_organisation = bext Originator ~ cut; premis agent[transfer-organisation]/agentName
    ; mets metsHdr/agent[ORGANIZATION]/name; dc provenance ~ after 'digital transfer by '
/people/client = info IARL; premis agent[client]/agentName; dc provenance ~ after ' for '
/custody/custody_events[]/type = premis event[custody-change-{n}]//eventDetail ~ words
    ; dc provenance ~ words
/custody/custody_events[]/from = premis event[custody-change-{n}]//eventDetail ~ words
    ; dc provenance ~ words
/custody/custody_events[]/to = premis event[custody-change-{n}]//eventDetail ~ words; dc provenance ~ words
/custody/custody_events[]/at = premis event[custody-change-{n}]/eventDateTime; dc provenance ~ words
/custody/custody_events[]/items[] = premis event[custody-change-{n}]//eventDetail ~ words
    ; dc provenance ~ words
/custody/custody_events[]/signature_ref = premis event[custody-change-{n}]//eventDetail ~ words
    ; dc provenance ~ words
/custody/custody_events[]/note = premis event[custody-change-{n}]//eventDetail ~ words
    ; dc provenance ~ words
/rights/rights_basis = premis rights//otherRightsBasis ? it is not a licence; dc rights ~ words
/rights/access_restriction = premis rights//otherRightsNote ~ words ? the basis is not a licence
    ; premis rights//licenseNote ~ words ? the basis is a licence
    ; aes57 region/securityNote ~ within ? it is short; dc accessRights
/rights/access_restriction_until = premis rights//otherRightsNote ~ words ? the basis is not a licence
    ; premis rights//licenseNote ~ words ? the basis is a licence; aes57 region/securityNote ~ within
    ; dc accessRights ~ after 'until '
/rights/personal_data = premis rights//otherRightsNote ~ words ? the basis is not a licence
    ; premis rights//licenseNote ~ words ? the basis is a licence
    ; aes57 region/securityNote ~ says 'personal data, declared: yes' ? there is personal data
    ; dc accessRights ~ words
/rights/personal_data_note = premis rights//otherRightsNote ~ words ? the basis is not a licence
    ; premis rights//licenseNote ~ words ? the basis is a licence
/retention/retention_until = premis event[policy-assignment-1]//eventDetail ~ words
/retention/next_check_due = premis event[policy-assignment-1]//eventDetail ~ words
/derived[]/field - about the record itself
/derived[]/from[] - about the record itself
/derived[]/how - about the record itself
/declared_in[]/path - about the record itself
/declared_in[]/sha256 - about the record itself
/declared_in[]/row - about the record itself
/waivers[]/rule = premis event[validation-1]//eventOutcomeDetailNote ~ words
/waivers[]/reason = premis event[validation-1]//eventOutcomeDetailNote ~ words
/waivers[]/by = premis event[validation-1]//eventOutcomeDetailNote ~ words
/waivers[]/at = premis event[validation-1]//eventOutcomeDetailNote ~ words
/client_profile/name - only in record.json: about the delivery, and told by its papers
/client_profile/sha256 - only in record.json: about the delivery, and told by its papers
/client_profile/bagit_profile_identifier - only in record.json, and in bag-info.txt
/held_back[]/label = premis event[redaction-1]//eventOutcomeDetailNote ~ within ? it is one of the first 50
/held_back[]/roles[] = premis event[redaction-1]//eventOutcomeDetailNote ~ within ? it is one of the
        first 50
/held_back[]/commitment_sha256 - about the record itself
"""
